"""What goes with every change of a visit: when, its number in calendars, who had it before."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from calibration.models import Visit

TOLD = ("planned_on", "technician_id", "status", "note")  # what a calendar shows


def revision(visit: Visit, values: Mapping[str, Any], *, now: datetime) -> dict[str, Any]:
    """Return the values that a change brings with it; what it changes is in `values`.

    A calendar program takes an event for newer by its SEQUENCE (RFC 5545, 3.8.7.4), so that every
    change of what it shows counts it up. A technician who no longer makes the visit is kept: their
    calendar has to show it as cancelled.
    """
    said = {_column(name): _plain(value) for name, value in values.items()}
    further: dict[str, Any] = {"updated_at": now}
    if any(name in said and said[name] != getattr(visit, name) for name in TOLD):
        further["sequence"] = visit.sequence + 1
    if said.get("technician_id", visit.technician_id) != visit.technician_id:
        further["former_technician"] = visit.technician
    done = said.get("status") == Visit.Status.DONE
    if done and visit.done_at is None:
        further["done_at"] = now
    return further


def change(visit: Visit, *, now: datetime, **values: Any) -> bool:
    """Change a visit where anything differs; return whether it did."""
    differs = {name: value for name, value in values.items() if getattr(visit, name) != value}
    if not differs:
        return False
    values = differs | revision(visit, differs, now=now)
    for name, value in values.items():
        setattr(visit, name, value)
    visit.save(update_fields=list(values))
    return True


def _column(name: str) -> str:
    return "technician_id" if name == "technician" else name


def _plain(value: Any) -> Any:
    return value.pk if hasattr(value, "pk") else value
