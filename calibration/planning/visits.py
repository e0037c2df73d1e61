"""One dealer's plan as rows: reads what is due, chooses the days, writes what differs."""

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import Q

from calibration.due import Need, Window, due_machines, window
from calibration.models import DriftFlag, Visit
from calibration.planning.days import Frame, Job, assign, worst_first
from calibration.planning.lines import LineBook
from fleet.models import Customer, Dealer, Installation, Membership, Role

VISITS_PER_TECHNICIAN = 3  # a day; common practice, no source: driving takes the rest of it
Status = Visit.Status
OPEN = (Status.PLANNED, Status.CONFIRMED)


@dataclass
class Outcome:
    """What one dealer's plan changed, and whom it could not place."""

    planned: int = 0
    moved: int = 0
    cancelled: int = 0
    unplanned: list[tuple[Customer, str]] = field(default_factory=list)


@dataclass
class _Desk:
    """Everything that one run works on."""

    now: datetime
    window: Window
    frame: Frame
    needs: dict[int, list[Need]]
    visits: dict[int, Visit]
    lines: LineBook
    outcome: Outcome

    def holds(self, visit: Visit) -> bool:
        """Whether a visit keeps its day whatever happens: confirmed, or under way today."""
        return visit.status == Status.CONFIRMED or visit.planned_on == self.window.today


@transaction.atomic
def plan(dealer: Dealer, *, now: datetime) -> Outcome:
    """Plan one dealer's visits; a second planner waits here and finds the work done."""
    dealer = Dealer.objects.select_for_update(no_key=True).get(pk=dealer.pk)
    desk = _desk(dealer, now)
    for customer in sorted(desk.visits.keys() - desk.needs.keys()):
        _nothing_due(desk, desk.visits[customer])
    jobs = _jobs(desk, dealer)
    _keep_appointments(desk)
    days = assign(jobs, desk.frame, _held_days(desk))
    customers = Customer.objects.in_bulk(days)
    for job in sorted(jobs, key=worst_first):
        day = days[job.customer_id]
        if day is None:
            _no_day(desk, customers[job.customer_id])
        else:
            _put(desk, job, day)
    desk.lines.write()
    return desk.outcome


# ── Reading ───────────────────────────────────────────────────────────────────
def _desk(dealer: Dealer, now: datetime) -> _Desk:
    calendar = window(
        now,
        timezone=dealer.timezone,
        season_start=dealer.season_start,
        lead_days=dealer.reminder_lead_days,
    )
    technicians = Membership.objects.filter(
        dealer=dealer, role=Role.TECHNICIAN, user__is_active=True
    ).count()
    frame = Frame(
        first=calendar.today + timedelta(days=1),
        latest=calendar.latest,
        per_day=technicians * VISITS_PER_TECHNICIAN,
        lead_days=dealer.reminder_lead_days,
    )
    outcome = Outcome()
    visits = _one_each(dealer, outcome, now)
    needs: dict[int, list[Need]] = defaultdict(list)
    seated = Installation.objects.filter(
        machine__customer__dealer=dealer, sensor__due__due_on__lte=calendar.horizon
    )
    for need in due_machines(seated, now=now).values():
        needs[need.customer_id].append(need)
    lines = LineBook.of(visits.values())
    return _Desk(now, calendar, frame, dict(needs), visits, lines, outcome)


def _one_each(dealer: Dealer, outcome: Outcome, now: datetime) -> dict[int, Visit]:
    """Return each customer's open visit; a second one (from a season before) is given up."""
    rows = Visit.objects.filter(customer__dealer=dealer, status__in=OPEN)
    visits: dict[int, Visit] = {}
    for visit in sorted(
        rows.order_by("pk").select_for_update(),
        key=lambda visit: (visit.status != Status.CONFIRMED, visit.planned_on, str(visit.pk)),
    ):
        if visit.customer_id not in visits:
            visits[visit.customer_id] = visit
        elif visit.status == Status.PLANNED:
            _cancel(visit, "the customer's other open visit takes it in", outcome, now)
    return visits


def _jobs(desk: _Desk, dealer: Dealer) -> list[Job]:
    """Return the visits that need a day."""
    beyond = _beyond(dealer)
    jobs = []
    for customer, needs in desk.needs.items():
        visit = desk.visits.get(customer)
        if visit is not None and desk.holds(visit):
            continue
        due_on = min(need.due_on for need in needs)
        day = visit.planned_on if visit and visit.planned_on >= desk.frame.first else None
        jobs.append(Job(customer, due_on, beyond[customer], day))
    return jobs


def _beyond(dealer: Dealer) -> Counter[int]:
    """Count each customer's open flags beyond tolerance; lateness shows in the due day already."""
    flags = DriftFlag.objects.filter(
        level=DriftFlag.Level.BEYOND,
        sensor__installations__removed_on=None,
        sensor__installations__machine__customer__dealer=dealer,
    ).exclude(Q(status=DriftFlag.Status.CLOSED) | Q(kind=DriftFlag.Kind.OVERDUE))
    customers = flags.order_by().values_list("sensor__installations__machine__customer", flat=True)
    return Counter(customers)


def _held_days(desk: _Desk) -> list[date]:
    return [visit.planned_on for visit in desk.visits.values() if desk.holds(visit)]


# ── Writing ───────────────────────────────────────────────────────────────────
def _keep_appointments(desk: _Desk) -> None:
    """Bring the lines of visits that keep their day up to date; report those that were missed."""
    customers = Customer.objects.in_bulk(desk.visits)
    for customer, visit in sorted(desk.visits.items()):
        if customer not in desk.needs or not desk.holds(visit):
            continue
        _fill(desk, visit, desk.needs[customer])
        if visit.planned_on < desk.window.today:
            reason = (
                f"its confirmed visit of {visit.planned_on} has passed and "
                f"{len(desk.needs[customer])} machine(s) are still due; give it a new day"
            )
            desk.outcome.unplanned.append((customers[customer], reason))


def _put(desk: _Desk, job: Job, day: date) -> None:
    """Give a customer's visit its day; the visit is made where there is none."""
    visit = desk.visits.get(job.customer_id)
    if visit is None:
        visit = Visit(
            customer_id=job.customer_id,
            season=desk.window.season,
            planned_on=day,
            due_on=job.due_on,
            updated_at=desk.now,
        )
        visit.save(force_insert=True)
        desk.outcome.planned += 1
    elif visit.planned_on != day:
        visit.planned_on = day
        visit.updated_at = desk.now
        visit.save(update_fields=["planned_on", "updated_at"])
        desk.outcome.moved += 1
    _fill(desk, visit, desk.needs[job.customer_id])


def _fill(desk: _Desk, visit: Visit, needs: list[Need]) -> None:
    """Bring a visit's lines, due day and (while nobody has confirmed it) season up to date."""
    desk.lines.fill(visit, needs)
    due_on = min(need.due_on for need in needs)
    season = visit.season if visit.status == Status.CONFIRMED else desk.window.season
    if (visit.due_on, visit.season) != (due_on, season):
        visit.due_on, visit.season, visit.updated_at = due_on, season, desk.now
        visit.save(update_fields=["due_on", "season", "updated_at"])


def _nothing_due(desk: _Desk, visit: Visit) -> None:
    """End an open visit with nothing left to do; an appointment without lines stays a person's."""
    if desk.lines.fill(visit, []):
        visit.status, visit.updated_at = Status.DONE, desk.now
        visit.save(update_fields=["status", "updated_at"])
    elif visit.status == Status.PLANNED:
        _cancel(visit, "nothing is due there any more", desk.outcome, desk.now)


def _no_day(desk: _Desk, customer: Customer) -> None:
    """Report a customer for whom no day is left, and give up the day that cannot be kept."""
    frame = desk.frame
    if not frame.per_day:
        reason = "the dealer has no active technician; give somebody that role"
    elif frame.first > frame.latest:
        reason = f"no working day is left before the season starts on {desk.window.starts_on}"
    else:
        reason = (
            f"all {frame.per_day} visits a day are taken up to {frame.latest}, the last working "
            f"day before the season"
        )
    desk.outcome.unplanned.append((customer, reason))
    visit = desk.visits.get(customer.pk)
    if visit is not None:
        _cancel(visit, reason, desk.outcome, desk.now)


def _cancel(visit: Visit, why: str, outcome: Outcome, now: datetime) -> None:
    visit.status, visit.note, visit.updated_at = Status.CANCELLED, why[:200], now
    visit.save(update_fields=["status", "note", "updated_at"])
    outcome.cancelled += 1
