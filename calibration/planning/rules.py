"""What a person may say of a visit: on which day it is, when it is done, why it is off.

The plan itself knows only days that meet these rules; here they hold for what is typed.
"""

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any

from calibration.models import Visit
from fleet import workdays
from fleet.errors import Invalid, Problem
from fleet.models import Blackout, DayOff, Dealer, Membership, Role, User

YEARS_AHEAD = 2
Status = Visit.Status


def check(
    visit: Visit, changes: Mapping[str, Any], *, now: datetime, although_closed: bool
) -> None:
    """Raise Invalid with every reason why a visit cannot be changed so.

    Parameters
    ----------
    visit
        As it is stored, or as it is to be made.
    changes
        What differs; of a new visit, everything.
    now, although_closed
        The moment; whether somebody goes there on a day on which dealer or customer are closed.
    """
    today = now.astimezone(visit.customer.dealer.zone).date()
    day = changes.get("planned_on", visit.planned_on)
    status = changes.get("status", visit.status)
    reopened = status in Visit.TO_BE_MADE and visit.status not in Visit.TO_BE_MADE
    moved = "planned_on" in changes or reopened
    found = list(_reach(day, today)) if moved else []
    placed = (moved or changes.get("technician")) and status in Visit.TO_BE_MADE
    if placed and not found and not although_closed:
        found += _closed(visit, day, changes.get("technician", visit.technician))
    if status == Status.DONE and day > today and (moved or "status" in changes):
        found.append(
            Problem(
                "status",
                f"It is planned for {day} and cannot be done before",
                f"done from {day} on; where it was made sooner, give it today's day, {today}",
                str(status),
            )
        )
    found += _reason(visit, changes, status)
    if found:
        raise Invalid(*found)


def _reach(day: date, today: date) -> Iterator[Problem]:
    """A visit is planned from today on, and not for a day that nobody plans for."""
    leap = (today.month, today.day) == (2, 29)
    last = date(today.year + YEARS_AHEAD, today.month, 28 if leap else today.day)
    if today <= day <= last:
        return
    why = "That day has passed" if day < today else f"More than {YEARS_AHEAD} years ahead"
    yield Problem("planned_on", why, f"{today} to {last}", str(day))


def _closed(visit: Visit, day: date, technician: User | None) -> Iterator[Problem]:
    reasons = list(_why_closed(visit, day, technician))
    if reasons:
        yield Problem(
            "planned_on",
            f"{day:%A} {day}: {'; '.join(reasons)}",
            "another day; or this one, where it is said that you go there all the same "
            "(although_closed)",
        )


def _why_closed(visit: Visit, day: date, technician: User | None) -> Iterator[str]:
    """Why nobody should go there that day; never in the words that a person wrote of it."""
    dealer = visit.customer.dealer
    member = technician and _member(technician, dealer)
    if workdays.is_holiday(day, dealer.country, dealer.subdivision):
        yield "the dealer is closed, it is a public holiday"
    elif member and member.working_days:
        if str(day.isoweekday()) not in member.working_days:
            yield f"{technician} does not work on that weekday"
    elif not workdays.is_worked(day, dealer.country, dealer.subdivision):
        yield "the dealer is closed on that weekday"
    at = {"first_day__lte": day, "last_day__gte": day}
    if member and DayOff.objects.filter(membership=member, **at).exists():
        yield f"{technician} is off"
    if Blackout.objects.filter(customer=visit.customer_id, **at).exists():
        yield "the customer cannot be visited"


def _member(technician: User, dealer: Dealer) -> Membership | None:
    rows = Membership.objects.filter(user=technician, dealer=dealer, role=Role.TECHNICIAN)
    found: Membership | None = rows.first()
    return found


def _reason(visit: Visit, changes: Mapping[str, Any], status: str) -> Iterator[Problem]:
    """A visit is called off with a reason, and no other one has such a reason."""
    reason = changes.get("cancel_reason", visit.cancel_reason)
    if status != Status.CANCELLED:
        if changes.get("cancel_reason"):
            accepted = "nothing; or the status cancelled beside it"
            yield Problem("cancel_reason", "Only a cancelled visit has one", accepted)
    elif {"status", "cancel_reason"} & changes.keys() and not 3 <= len(reason) <= 200:
        accepted = "3 to 200 characters"
        yield Problem("cancel_reason", "Say why the visit is cancelled", accepted, reason[:40])
