"""The plan: one open visit for each customer with something due, on a day that can be kept.

What is due, and how far the plan looks ahead, is `calibration.due`'s to say; `days` chooses the
days; `visits` writes the rows. Repeating a plan changes nothing; a confirmed visit is never moved;
what does not fit before the season is listed with the reason.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from calibration import due
from calibration.planning import visits
from fleet.models import Customer, Dealer

__all__ = ["PlanResult", "Unplanned", "plan_visits"]


class Unplanned(NamedTuple):
    """A customer whose machines are due and cannot be visited, and why."""

    customer: Customer
    reason: str


@dataclass(frozen=True)
class PlanResult:
    """What a plan changed, and what it could not place.

    Attributes
    ----------
    planned, moved, cancelled
        Visits that are new, that got another day, that are no longer needed or possible.
    unplanned
        Customers that nobody can visit in time, each with the reason.
    """

    planned: int
    moved: int
    cancelled: int
    unplanned: list[Unplanned]


def plan_visits(*, now: datetime, dealer: Dealer | None = None) -> PlanResult:
    """Plan the visits of one dealer, or of all; each dealer's plan is one transaction."""
    due.catch_up(now=now)
    dealers = [dealer] if dealer else Dealer.objects.order_by("pk")
    return _sum(visits.plan(each, now=now) for each in dealers)


def _sum(outcomes: Iterable[visits.Outcome]) -> PlanResult:
    done = list(outcomes)
    return PlanResult(
        planned=sum(outcome.planned for outcome in done),
        moved=sum(outcome.moved for outcome in done),
        cancelled=sum(outcome.cancelled for outcome in done),
        unplanned=[Unplanned(*each) for outcome in done for each in outcome.unplanned],
    )
