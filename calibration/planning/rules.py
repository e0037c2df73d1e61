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

YEARS = 2  # before and after today
Status = Visit.Status


def check(
    visit: Visit,
    changes: Mapping[str, Any],
    *,
    now: datetime,
    although_closed: bool,
    unexplained: bool,
) -> None:
    """Raise Invalid with every reason why a visit cannot be changed so.

    Parameters
    ----------
    visit
        As it is stored, or as it is to be made.
    changes
        What differs; of a new visit, everything.
    now
        The moment.
    although_closed
        Whether somebody goes there on a day on which dealer or customer are closed.
    unexplained
        Whether it may be cancelled without a reason.
    """
    today = now.astimezone(visit.customer.dealer.zone).date()
    day = changes.get("planned_on", visit.planned_on)
    status = changes.get("status", visit.status)
    reopened = status in Visit.TO_BE_MADE and visit.status not in Visit.TO_BE_MADE
    moved = "planned_on" in changes or reopened
    found = list(_reach(day, today, status)) if moved else []
    placed = (moved or changes.get("technician")) and status in Visit.TO_BE_MADE
    if placed and not found and not although_closed:
        found += _closed(visit, day, changes.get("technician", visit.technician))
    if status == Status.DONE and day > today and (moved or "status" in changes) and not found:
        found.append(
            Problem(
                "status",
                f"It is planned for {day} and cannot be done before",
                f"done from {day} on; where it was made sooner, give it today's day, {today}",
                str(status),
            )
        )
    found += _reason(visit, changes, status, unexplained=unexplained)
    if found:
        raise Invalid(*found)


def _reach(day: date, today: date, status: str) -> Iterator[Problem]:
    """A visit is planned from today on, made before or today, and never years away."""
    last = _years_from(today, YEARS)
    first = _years_from(today, -YEARS) if status == Status.DONE else today
    if first <= day <= last or (status == Status.CANCELLED and day < today):
        return
    if day > last:
        why = f"More than {YEARS} years ahead"
    else:
        why = "That day has passed" if first == today else f"More than {YEARS} years ago"
    yield Problem("planned_on", why, f"{first} to {last}", str(day))


def _years_from(day: date, years: int) -> date:
    leap = (day.month, day.day) == (2, 29)
    return date(day.year + years, day.month, 28 if leap else day.day)


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


def _reason(
    visit: Visit, changes: Mapping[str, Any], status: str, *, unexplained: bool
) -> Iterator[Problem]:
    """A visit is called off with a reason, and no other one has such a reason."""
    reason = changes.get("cancel_reason", visit.cancel_reason)
    if status != Status.CANCELLED:
        if changes.get("cancel_reason"):
            accepted = "nothing; or the status cancelled beside it"
            yield Problem("cancel_reason", "Only a cancelled visit has one", accepted)
    elif unexplained and not reason:
        return
    elif {"status", "cancel_reason"} & changes.keys() and not 3 <= len(reason) <= 200:
        accepted = "3 to 200 characters"
        yield Problem("cancel_reason", "Say why the visit is cancelled", accepted, reason[:40])
