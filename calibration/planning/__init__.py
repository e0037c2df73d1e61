"""The plan: who visits which customer on which day, so that nobody is forgotten.

What is due, and how far the plan looks ahead, is `calibration.due`'s to say. `reading` makes a
`problem` of a dealer's rows, `choosing` solves it (`greedy`, then `solver`; both pure), `visits`
writes the rows. Repeating a plan changes nothing; an appointment is never moved; what does not fit
before the season is listed with the reason. `progress` says how far the season's work is.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from calibration import due
from calibration.planning import appointments, visits
from calibration.planning.choosing import SECONDS
from calibration.planning.progress import readiness
from fleet.models import Customer, Dealer

__all__ = [
    "SECONDS",
    "DealerPlan",
    "PlanResult",
    "Unplanned",
    "appointments",
    "plan_visits",
    "readiness",
]


class Unplanned(NamedTuple):
    """A customer whose machines are due and cannot be visited, and why."""

    customer: Customer
    reason: str


class DealerPlan(NamedTuple):
    """How a dealer's plan was found, and what it costs beside the greedy one."""

    dealer: Dealer
    made_by: str
    says: str
    cost: int
    greedy_cost: int


@dataclass(frozen=True)
class PlanResult:
    """What a plan changed, and what it could not place.

    Attributes
    ----------
    planned, moved, cancelled
        Visits that are new, that got another day or technician, that are no longer needed or
        possible.
    unplanned
        Customers that nobody can visit in time, each with the reason.
    plans
        How each dealer's plan was found.
    """

    planned: int
    moved: int
    cancelled: int
    unplanned: list[Unplanned]
    plans: list[DealerPlan]


def plan_visits(
    *,
    now: datetime,
    dealer: Dealer | None = None,
    seconds: float = SECONDS,
    anew: bool = False,
) -> PlanResult:
    """Plan the visits of one dealer, or of all; each dealer's plan is one transaction.

    Parameters
    ----------
    now, dealer
        The moment; for whom (None: everybody).
    seconds
        How long the solver may search for each dealer; 0: greedy only.
    anew
        Whether visits that nobody has confirmed may be moved as if they had no day yet.
    """
    due.catch_up(now=now)
    dealers = [dealer] if dealer else Dealer.objects.order_by("pk")
    return _sum(visits.plan(each, now=now, seconds=seconds, anew=anew) for each in dealers)


def _sum(outcomes: Iterable[visits.Outcome]) -> PlanResult:
    done = list(outcomes)
    return PlanResult(
        planned=sum(outcome.planned for outcome in done),
        moved=sum(outcome.moved for outcome in done),
        cancelled=sum(outcome.cancelled for outcome in done),
        unplanned=[Unplanned(*each) for outcome in done for each in outcome.unplanned],
        plans=[
            DealerPlan(
                outcome.dealer,
                outcome.chosen.made_by,
                outcome.chosen.says,
                outcome.chosen.cost,
                outcome.chosen.greedy_cost,
            )
            for outcome in done
            if outcome.chosen is not None
        ],
    )
