"""One dealer's rows as a problem to solve: what is due, who drives, when, and what stands."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Q, QuerySet

from calibration.due import Need, Window, due_machines, window_of
from calibration.models import DriftFlag, Visit, VisitLine
from calibration.planning.distance import Place, drive_minutes
from calibration.planning.parts import Work, split
from calibration.planning.problem import Problem, Stop, Technician
from fleet import workdays
from fleet.models import Blackout, Customer, Dealer, Installation, Membership, Role

MOST_DAYS = 200  # the half year before a season, and some
Status = Visit.Status
Key = tuple[int, int]  # customer and part


@dataclass(frozen=True)
class Desk:
    """Everything that one plan works on, as it was read.

    Attributes
    ----------
    window
        The dealer's calendar today.
    first
        The first day on which a visit can be made.
    needs
        The machines that are due, by customer and part.
    visits
        The open visit of each customer and part.
    second
        Open visits beside those, from a season before.
    problem
        What has to be solved.
    """

    dealer: Dealer
    now: datetime
    window: Window
    first: date
    needs: dict[Key, list[Need]]
    visits: dict[Key, Visit]
    second: list[Visit]
    problem: Problem

    def holds(self, visit: Visit) -> bool:
        """Whether a visit keeps its day whatever happens: confirmed, or under way today."""
        return visit.status == Status.CONFIRMED or visit.planned_on == self.window.today

    def work(self, needs: Iterable[Need]) -> int:
        """Return how long the work takes [min]."""
        return work_minutes(self.dealer, needs)


def read(dealer: Dealer, *, now: datetime, anew: bool = False) -> Desk:
    """Read what a dealer's plan depends on; with `anew`, only appointments keep their day."""
    window = window_of(dealer, now)
    first = window.today + timedelta(days=1)
    days = max(0, min((window.starts_on - first).days, MOST_DAYS))
    technicians = _technicians(dealer, first, days)
    visits, second = _one_each(dealer)
    needs = _needs(dealer, window, now)
    customers = Customer.objects.in_bulk({need.customer_id for need in needs})
    parts = _parts(dealer, needs, customers, technicians, visits)
    who = {each.key: place for place, each in enumerate(technicians)}
    calendar = _Calendar(window, first, days, visits, who, anew)
    problem = Problem(
        days,
        technicians,
        tuple(_stops(dealer, calendar, parts, customers)),
        dealer.reminder_lead_days,
        dealer.travel_speed_kmh,
    )
    return Desk(dealer, now, window, first, parts, visits, second, problem)


def work_minutes(dealer: Dealer, needs: Iterable[Need]) -> int:
    """Return how long the work on some machines takes [min]."""
    return sum(
        dealer.minutes_per_machine + need.sensors * dealer.minutes_per_sensor for need in needs
    )


def _needs(dealer: Dealer, window: Window, now: datetime) -> list[Need]:
    seated = Installation.objects.filter(
        machine__customer__dealer=dealer, sensor__due__due_on__lte=window.horizon
    )
    found = due_machines(seated, now=now)
    return [found[machine] for machine in sorted(found)]


# ── Technicians ───────────────────────────────────────────────────────────────
def _technicians(dealer: Dealer, first: date, days: int) -> tuple[Technician, ...]:
    members = Membership.objects.filter(
        dealer=dealer, role=Role.TECHNICIAN, user__is_active=True
    ).order_by("user")
    members = members.prefetch_related("days_off")
    calendar = [first + timedelta(days=ahead) for ahead in range(days)]
    elsewhere = _elsewhere(dealer, [member.user_id for member in members])
    return tuple(
        Technician(
            member.user_id,
            _place(member) or _place(dealer),
            tuple(_minutes(member, dealer, calendar, elsewhere[member.user_id])),
        )
        for member in members
    )


def _elsewhere(dealer: Dealer, users: list[int]) -> dict[int, set[date]]:
    """Return the days on which technicians make visits for another dealer that they work for."""
    visits = Visit.objects.filter(technician__in=users, status__in=Visit.TO_BE_MADE)
    taken: dict[int, set[date]] = defaultdict(set)
    for user, day in visits.exclude(customer__dealer=dealer).values_list(
        "technician", "planned_on"
    ):
        taken[user].add(day)
    return taken


def _minutes(
    member: Membership, dealer: Dealer, calendar: list[date], elsewhere: set[date]
) -> Iterable[int]:
    off = [(each.first_day, each.last_day) for each in member.days_off.all()]
    where = (dealer.country, dealer.subdivision)
    for day in calendar:
        if member.working_days:
            works = str(day.isoweekday()) in member.working_days
            works = works and not workdays.is_holiday(day, *where)
        else:
            works = workdays.is_worked(day, *where)
        works = works and day not in elsewhere
        works = works and not any(begin <= day <= end for begin, end in off)
        yield round(60 * member.hours_per_day) if works else 0


def _place(row: Dealer | Membership | Customer) -> Place | None:
    if row.latitude is None or row.longitude is None:
        return None
    return Place(row.latitude, row.longitude)


# ── Visits that stand ─────────────────────────────────────────────────────────
def _one_each(dealer: Dealer) -> tuple[dict[Key, Visit], list[Visit]]:
    """Return the open visit of each customer and part, and further ones from a season before."""
    rows: QuerySet[Visit] = Visit.objects.filter(
        customer__dealer=dealer, status__in=Visit.TO_BE_MADE
    )
    visits: dict[Key, Visit] = {}
    second = []
    for visit in sorted(
        rows, key=lambda one: (one.status != Status.CONFIRMED, one.planned_on, str(one.pk))
    ):
        key = (visit.customer_id, visit.part)
        if key in visits:
            second.append(visit)
        else:
            visits[key] = visit
    return visits, second


def _parts(
    dealer: Dealer,
    needs: list[Need],
    customers: dict[int, Customer],
    technicians: tuple[Technician, ...],
    visits: dict[Key, Visit],
) -> dict[Key, list[Need]]:
    """Return the machines of each visit: a customer's, cut into days where one is not enough."""
    rows = VisitLine.objects.filter(visit__in=[visit.pk for visit in visits.values()])
    now_in = dict(rows.order_by("pk").values_list("machine", "visit__part"))
    by_customer: dict[int, list[Need]] = defaultdict(list)
    for need in needs:
        by_customer[need.customer_id].append(need)
    found: dict[Key, list[Need]] = defaultdict(list)
    for customer, its in by_customer.items():
        works = [
            Work(
                need.machine_id,
                work_minutes(dealer, [need]),
                need.due_on.toordinal(),
                now_in.get(need.machine_id),
            )
            for need in its
        ]
        parts = split(works, _budget(dealer, customers[customer], technicians))
        for need in its:
            found[customer, parts[need.machine_id]].append(need)
    return dict(found)


def _budget(dealer: Dealer, customer: Customer, technicians: tuple[Technician, ...]) -> int:
    """The longest work that anybody's day has room for at a customer's [min]."""
    rooms = [
        max(each.minutes, default=0)
        - 2 * drive_minutes(each.home, _place(customer), dealer.travel_speed_kmh)
        for each in technicians
    ]
    return max(rooms, default=0) or 10**6


# ── Stops ─────────────────────────────────────────────────────────────────────
@dataclass(frozen=True)
class _Calendar:
    """The days that are planned, and what stands on them."""

    window: Window
    first: date
    days: int
    visits: dict[Key, Visit]
    who: dict[int, int]
    anew: bool

    def standing(self, key: Key) -> tuple[bool, int | None, int | None] | None:
        """Whether a visit is an appointment, its day and technician; None: not ours to plan."""
        visit = self.visits.get(key)
        if visit is None:
            return False, None, None
        fixed = visit.status == Status.CONFIRMED
        day = (visit.planned_on - self.first).days
        if not 0 <= day < self.days:
            # It stands, and takes nothing from the days that are planned; or it needs another.
            stands = fixed or visit.planned_on == self.window.today
            return None if stands else (False, None, None)
        if self.anew and not fixed:
            return False, None, None
        return fixed, day, self.who.get(visit.technician_id or 0)


def _stops(
    dealer: Dealer,
    calendar: _Calendar,
    parts: dict[Key, list[Need]],
    customers: dict[int, Customer],
) -> Iterable[Stop]:
    beyond = _beyond(dealer)
    barred = _barred(dealer, calendar.first, calendar.days)
    for key, needs in sorted(parts.items()):
        standing = calendar.standing(key)
        if standing is None:
            continue
        fixed, day, technician = standing
        yield Stop(
            key=key,
            due=(min(need.due_on for need in needs) - calendar.first).days,
            beyond=sum(beyond[need.machine_id] for need in needs),
            minutes=work_minutes(dealer, needs),
            place=_place(customers[key[0]]),
            barred=barred[key[0]],
            day=day,
            technician=technician,
            fixed=fixed,
        )


def _barred(dealer: Dealer, first: date, days: int) -> dict[int, frozenset[int]]:
    found: dict[int, set[int]] = defaultdict(set)
    rows = Blackout.objects.filter(customer__dealer=dealer, last_day__gte=first)
    for customer, begin, end in rows.values_list("customer", "first_day", "last_day"):
        until = min((end - first).days, days - 1)
        found[customer].update(range(max(0, (begin - first).days), until + 1))
    return defaultdict(frozenset, {customer: frozenset(day) for customer, day in found.items()})


def _beyond(dealer: Dealer) -> Counter[int]:
    """Count each machine's open flags beyond tolerance; lateness shows in the due day already."""
    flags = DriftFlag.objects.filter(
        level=DriftFlag.Level.BEYOND,
        sensor__installations__removed_on=None,
        sensor__installations__machine__customer__dealer=dealer,
    ).exclude(Q(status=DriftFlag.Status.CLOSED) | Q(kind=DriftFlag.Kind.OVERDUE))
    return Counter(flags.order_by().values_list("sensor__installations__machine", flat=True))
