"""Visits made and changed, and what goes with it: its number in calendars, who had it before."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db import transaction

from calibration.due import Need, due_machines
from calibration.models import Visit, VisitLine
from calibration.planning import rules
from calibration.planning.reading import work_minutes
from fleet import registry, seasons
from fleet.errors import Conflict, Problem
from fleet.models import Dealer, Installation
from fleet.updating import hold

SAID = ("planned_on", "technician", "status", "cancel_reason")
# What a calendar shows.
TOLD = ("planned_on", "technician_id", "status", "note", "cancel_reason")


@transaction.atomic
def make(
    visit: Visit,
    *,
    now: datetime,
    season: int | None = None,
    due_on: date | None = None,
    part: int | None = None,
    although_closed: bool = False,
    unexplained: bool = False,
) -> Visit:
    """Plan a visit by hand; its machines are those that are due and in no open visit.

    Parameters
    ----------
    visit
        To whom, when, by whom.
    now
        The moment.
    season
        Where nobody says: that of its day.
    due_on
        Where nobody says: the earliest of its machines, or its own day where nothing is due.
    part
        Where nobody says: the first that the customer's open visits leave free.
    although_closed, unexplained
        See `rules.check`.

    Raises
    ------
    Invalid
        For a day or a status that cannot be; every problem is named.
    Conflict
        Where the customer's open visits hold all that is due, or that part.
    """
    visit.cancel_reason = visit.cancel_reason.strip()
    said = {name: getattr(visit, name) for name in SAID}
    rules.check(visit, said, now=now, although_closed=although_closed, unexplained=unexplained)
    dealer = visit.customer.dealer
    # Nobody plans there meanwhile, neither by hand nor for the whole season.
    Dealer.objects.select_for_update(no_key=True).get(pk=dealer.pk)
    others = Visit.objects.filter(customer=visit.customer_id, status__in=Visit.TO_BE_MADE)
    standing = list(others.order_by("planned_on", "pk"))
    needs = _free(visit, standing, now)
    visit.season = season or seasons.season_of(visit.planned_on, dealer.season_start)
    visit.due_on = due_on or min((need.due_on for need in needs), default=visit.planned_on)
    visit.part = part or _next_part(standing)
    visit.minutes = work_minutes(dealer, needs)
    visit.updated_at = now
    if visit.status in Visit.TO_BE_MADE:
        _refuse_twice(visit, standing, needs)
    elif visit.status == Visit.Status.DONE:
        visit.done_at = now
    made = registry.clean_and_save(visit)
    VisitLine.objects.bulk_create(
        VisitLine(visit=made, machine_id=need.machine_id, due_on=need.due_on, sensors=need.sensors)
        for need in needs
    )
    return made


def _free(visit: Visit, standing: Sequence[Visit], now: datetime) -> list[Need]:
    """Return what is due at the customer and in none of the visits that stand."""
    held = _held([each.pk for each in standing])
    places = Installation.objects.filter(machine__customer=visit.customer_id)
    needs = due_machines(places, now=now).values()
    return [need for need in needs if need.machine_id not in held]


def _held(visits: Iterable[UUID]) -> set[int]:
    """Return the machines that these visits still have to do."""
    lines = VisitLine.objects.filter(visit__in=list(visits), done=False)
    return set(lines.order_by().values_list("machine", flat=True))


def _refuse_twice(visit: Visit, standing: Sequence[Visit], needs: Sequence[Need]) -> None:
    """Refuse to plan for a customer's machines, or under a part, what is planned already."""
    days = ", ".join(f"{each.planned_on} (part {each.part})" for each in standing)
    if standing and not needs:
        why = f"All that is due there is in the customer's open visits already: {days}"
        known = visit.customer.name
        raise Conflict(Problem("customer", why, "another day for one of these", known))
    if any((each.season, each.part) == (visit.season, visit.part) for each in standing):
        why = f"The customer has an open visit of that part already: {days}"
        raise Conflict(Problem("part", why, "no part, which takes the next", str(visit.part)))


def _next_part(standing: Sequence[Visit]) -> int:
    taken = {each.part for each in standing}
    return min(set(range(1, len(taken) + 2)) - taken)


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
    hold(visit)  # the plan may have moved it since it was read
    changes = {name: value for name, value in values.items() if getattr(visit, name) != value}
    rules.check(visit, changes, now=now, although_closed=although_closed, unexplained=unexplained)
    if changes.get("status") in Visit.TO_BE_MADE and visit.status not in Visit.TO_BE_MADE:
        _leave_to_others(visit)
    changes |= revision(visit, changes, now=now)
    for name, value in changes.items():
        setattr(visit, name, value)
    return registry.clean_and_save(visit, only=changes)


def _leave_to_others(visit: Visit) -> None:
    """Take the machines that other visits do by now off one that is taken up again."""
    others = Visit.objects.filter(customer=visit.customer_id, status__in=Visit.TO_BE_MADE)
    held = _held(others.exclude(pk=visit.pk).values_list("pk", flat=True))
    visit.lines.filter(done=False, machine__in=held).delete()


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
