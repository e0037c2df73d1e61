"""Visits made and changed, and what goes with it: its number in calendars, who had it before."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from calibration.due import due_machines
from calibration.models import Visit
from calibration.planning import rules
from fleet import registry
from fleet.models import Installation

SAID = ("planned_on", "technician", "status", "cancel_reason")
# What a calendar shows.
TOLD = ("planned_on", "technician_id", "status", "note", "cancel_reason")


@transaction.atomic
def make(
    visit: Visit, *, now: datetime, although_closed: bool = False, unexplained: bool = False
) -> Visit:
    """Plan a visit by hand; its machines are those of the customer that are due.

    What the two options allow stands at `rules.check`.

    Raises
    ------
    Invalid
        For a day or a status that cannot be; every problem is named.
    Conflict
        Where the customer has an open visit already.
    """
    visit.cancel_reason = visit.cancel_reason.strip()
    said = {name: getattr(visit, name) for name in SAID}
    rules.check(visit, said, now=now, although_closed=although_closed, unexplained=unexplained)
    visit.updated_at = now
    if visit.status == Visit.Status.DONE:
        visit.done_at = now
    made = registry.clean_and_save(visit)
    places = Installation.objects.filter(machine__customer=visit.customer_id)
    for need in due_machines(places, now=now).values():
        made.lines.create(machine_id=need.machine_id, due_on=need.due_on, sensors=need.sensors)
    return made


@transaction.atomic
def edit(
    visit: Visit,
    *,
    now: datetime,
    although_closed: bool = False,
    unexplained: bool = False,
    **values: Any,
) -> Visit:
    """Change a visit as a person says; what the two options allow stands at `rules.check`.

    Raises
    ------
    Invalid
        For a day or a status that cannot be, or where nobody says why it is cancelled.
    """
    if "cancel_reason" in values:
        values["cancel_reason"] = values["cancel_reason"].strip()
    changes = {name: value for name, value in values.items() if getattr(visit, name) != value}
    rules.check(visit, changes, now=now, although_closed=although_closed, unexplained=unexplained)
    for name, value in (values | revision(visit, changes, now=now)).items():
        setattr(visit, name, value)
    return registry.clean_and_save(visit)


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
    off = Visit.Status.CANCELLED
    if visit.status == off and said.get("status", off) != off:
        further["cancel_reason"] = ""
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
