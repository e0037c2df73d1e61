"""Which visit gets which day: a dealer's technicians, day by day. Pure.

The first form of the plan. Visits that may stay, stay; the others are placed one after the other,
the worst first. A solver may take the place of `assign` without anything around it moving.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

SATURDAY = 5


@dataclass(frozen=True)
class Job:
    """One customer's visit that needs a day.

    Attributes
    ----------
    customer_id
        The customer.
    due_on
        The earliest due day of its sensors.
    beyond
        How many open flags say that a sensor has left its tolerance.
    day
        The day that it has now; None where it has none, or the day has passed.
    """

    customer_id: int
    due_on: date
    beyond: int = 0
    day: date | None = None


@dataclass(frozen=True)
class Frame:
    """The days on which visits can be made, and how many on each.

    Attributes
    ----------
    first, latest
        First and last day for a visit.
    per_day
        Visits that the dealer's technicians make on one day.
    lead_days
        A visit is not put earlier than this before its due day: who is calibrated months early
        is due months early next year.
    """

    first: date
    latest: date
    per_day: int
    lead_days: int


def working_days(first: date, latest: date) -> Iterator[date]:
    """Yield the Monday-to-Friday days from one day to another, both included."""
    for ahead in range((latest - first).days + 1):
        day = first + timedelta(days=ahead)
        if day.weekday() < SATURDAY:
            yield day


def worst_first(job: Job) -> tuple[int, date, int]:
    """Return the key that sorts jobs by consequence: beyond tolerance, then earliest due."""
    return -job.beyond, job.due_on, job.customer_id


def assign(
    jobs: Iterable[Job], frame: Frame, taken: Iterable[date] = ()
) -> dict[int, date | None]:
    """Return a day for each customer, None where no day is left before the season.

    `taken` holds the days of visits that are never moved, one entry a visit.
    """
    free = Counter(dict.fromkeys(working_days(frame.first, frame.latest), frame.per_day))
    free.subtract(day for day in taken if day in free)
    ranked = sorted(jobs, key=worst_first)
    days: dict[int, date | None] = {}
    for job in ranked:
        if job.day is not None and free[job.day] > 0:
            days[job.customer_id] = job.day
            free[job.day] -= 1
    for job in ranked:
        held = days.get(job.customer_id)
        if held is not None and (held <= job.due_on or job.due_on < frame.first):
            continue
        day = _better(held, job, frame, free)
        days[job.customer_id] = day
        free.subtract([day] if day else [])
        free.update([held] if held else [])
    return days


def _better(held: date | None, job: Job, frame: Frame, free: Counter[date]) -> date | None:
    """Return the best free day; one who has a late day moves only to a day that is in time."""
    day = next((day for day in _wishes(job, frame) if free[day] > 0), None)
    if held is None or (day is not None and day <= job.due_on):
        return day
    return held


def _wishes(job: Job, frame: Frame) -> Iterator[date]:
    """Yield the days that suit a visit, the best first.

    From the lead days before it is due (at once where something is beyond tolerance) up to the
    due day; then earlier ones, the latest first; then, late, up to the season.
    """
    lead = job.due_on - timedelta(days=frame.lead_days)
    start = frame.first if job.beyond else max(frame.first, lead)
    in_time = min(job.due_on, frame.latest)
    yield from working_days(start, in_time)
    earlier = list(working_days(frame.first, min(start - timedelta(days=1), in_time)))
    yield from reversed(earlier)
    yield from working_days(max(frame.first, in_time + timedelta(days=1)), frame.latest)
