"""One dealer's plan as rows: what was chosen is written where it differs, in one transaction."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction

from calibration.due import Need
from calibration.models import SeasonPlan, Visit
from calibration.planning import reading
from calibration.planning.appointments import change
from calibration.planning.choosing import Chosen, choose
from calibration.planning.lines import LineBook
from calibration.planning.reading import Desk, Key, Status
from calibration.planning.refusing import why_unplaced
from fleet.models import Customer, Dealer

TRIES = 3  # so often rows may change while the solver searches; then the plan is greedy


@dataclass
class Outcome:
    """What one dealer's plan changed, whom it could not place, and how it was found."""

    dealer: Dealer
    planned: int = 0
    moved: int = 0
    cancelled: int = 0
    unplanned: list[tuple[Customer, str]] = field(default_factory=list)
    chosen: Chosen | None = None


def plan(dealer: Dealer, *, now: datetime, seconds: float, anew: bool = False) -> Outcome:
    """Plan one dealer's visits.

    The search runs without a lock: nobody waits for it. Whoever writes first wins; the other one
    finds its rows changed and plans again, the third time greedily under the lock.
    """
    for tries_left in range(TRIES - 1, -1, -1):
        desk = reading.read(dealer, now=now, anew=anew)
        chosen = choose(desk.problem, seconds=seconds) if tries_left else None
        outcome = _write(dealer, desk, chosen, now=now, anew=anew)
        if outcome is not None:
            return outcome
    raise AssertionError("the last try is made under the lock")


@transaction.atomic
def _write(
    dealer: Dealer, read: Desk, chosen: Chosen | None, *, now: datetime, anew: bool
) -> Outcome | None:
    """Write a plan, if the rows still are what it was made for; without one, make it here."""
    dealer = Dealer.objects.select_for_update(no_key=True).get(pk=dealer.pk)
    # Nobody confirms or moves a visit while it is planned with.
    visits = Visit.objects.filter(customer__dealer=dealer, status__in=Visit.TO_BE_MADE)
    list(visits.order_by("pk").select_for_update())
    desk = reading.read(dealer, now=now, anew=anew)
    if chosen is None:
        chosen = choose(desk.problem, seconds=0.0)
    elif desk.problem != read.problem:
        return None
    return _Writer(desk, chosen).write()


class _Writer:
    """Writes what differs."""

    def __init__(self, desk: Desk, chosen: Chosen) -> None:
        self.desk, self.chosen = desk, chosen
        self.outcome = Outcome(desk.dealer, chosen=chosen)
        self.lines = LineBook.of(desk.visits.values())
        customers = {customer for customer, _ in (*desk.needs, *desk.visits)}
        self.customers = Customer.objects.select_related("dealer").in_bulk(customers)
        self.refused: list[dict[str, Any]] = []

    def write(self) -> Outcome:
        """Write visits, lines and how the plan was made."""
        desk, problem = self.desk, self.desk.problem
        for visit in desk.second:
            if visit.status == Status.PLANNED:
                self._cancel(visit, "the customer's other open visit takes it in")
        for key in sorted(desk.visits.keys() - desk.needs.keys()):
            self._nothing_due(desk.visits[key])
        self._keep_appointments({stop.key for stop in problem.stops})
        ranked = sorted(range(len(problem.stops)), key=lambda i: problem.stops[i].rank)
        for i in ranked:
            self._settle(i)
        self.lines.write()
        self._say()
        return self.outcome

    def _settle(self, i: int) -> None:
        """Give a stop its day, or say why it has none."""
        desk, stop = self.desk, self.desk.problem.stops[i]
        tour = self.chosen.plan.assigned.get(i)
        visit = desk.visits.get(stop.key)
        if stop.fixed and visit is not None:
            self._fill(visit, desk.needs[stop.key])
        elif tour is not None:
            self._put(i, tour)
        else:
            reason = why_unplaced(
                desk.problem, i, latest=desk.window.latest, starts_on=desk.window.starts_on
            )
            self._refuse(stop.key, reason)
            if visit is not None:
                self._cancel(visit, reason)

    def _put(self, i: int, tour: tuple[int, int]) -> None:
        """Give a visit its day and technician; it is made where there is none."""
        desk, stop = self.desk, self.desk.problem.stops[i]
        technician = desk.problem.technicians[tour[0]].key
        day = desk.first + timedelta(days=tour[1])
        visit = desk.visits.get(stop.key)
        if visit is None:
            visit = Visit(
                customer_id=stop.key[0],
                part=stop.key[1],
                season=desk.window.season,
                planned_on=day,
                due_on=day,
                technician_id=technician,
                updated_at=desk.now,
            )
            self._fill(visit, desk.needs[stop.key], new=True)
            self.outcome.planned += 1
            return
        was = (visit.planned_on, visit.technician_id)
        change(visit, now=desk.now, planned_on=day, technician_id=technician)
        if was[0] != day or was[1] not in {technician, None}:
            self.outcome.moved += 1
        self._fill(visit, desk.needs[stop.key])

    def _fill(self, visit: Visit, needs: list[Need], *, new: bool = False) -> None:
        """Bring a visit's lines and due day up to date, and its season while none confirmed it."""
        due_on = min(need.due_on for need in needs)
        confirmed = visit.status == Status.CONFIRMED
        season = visit.season if confirmed else self.desk.window.season
        minutes = self.desk.work(needs)
        if new:
            visit.due_on, visit.minutes = due_on, minutes
            visit.save(force_insert=True)
        else:
            change(visit, now=self.desk.now, due_on=due_on, season=season, minutes=minutes)
        self.lines.fill(visit, needs)

    def _keep_appointments(self, planned: Iterable[Key]) -> None:
        """Bring visits that keep their day, and are not planned with, up to date."""
        desk = self.desk
        for key in sorted(desk.visits.keys() & desk.needs.keys() - set(planned)):
            visit, needs = desk.visits[key], desk.needs[key]
            self._fill(visit, needs)
            if visit.planned_on < desk.window.today:
                self._refuse(
                    key,
                    f"its confirmed visit of {visit.planned_on} has passed and {len(needs)} "
                    "machine(s) are still due; give it a new day",
                )

    def _nothing_due(self, visit: Visit) -> None:
        """End an open visit with nothing left to do; an appointment without lines stays."""
        if self.lines.fill(visit, []):
            change(visit, now=self.desk.now, status=Status.DONE)
        elif visit.status == Status.PLANNED:
            self._cancel(visit, "nothing is due there any more")

    def _refuse(self, key: Key, reason: str) -> None:
        customer, needs = self.customers[key[0]], self.desk.needs[key]
        self.outcome.unplanned.append((customer, reason))
        self.refused.append(
            {
                "customer": customer.pk,
                "customer_name": customer.name,
                "machines": len(needs),
                "sensors": sum(need.sensors for need in needs),
                "due_on": min(need.due_on for need in needs).isoformat(),
                "reason": reason,
            }
        )

    def _cancel(self, visit: Visit, why: str) -> None:
        change(visit, now=self.desk.now, status=Status.CANCELLED, cancel_reason=why[:200])
        self.outcome.cancelled += 1

    def _say(self) -> None:
        """Keep how the plan was made, where that is news."""
        chosen = self.chosen
        values = {
            "made_by": chosen.made_by,
            "says": chosen.says,
            "cost": float(chosen.cost),
            "greedy_cost": float(chosen.greedy_cost),
            "unplanned": self.refused,
            "planned_at": self.desk.now,
        }
        SeasonPlan.objects.update_or_create(dealer=self.desk.dealer, defaults=values)
