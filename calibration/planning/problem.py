"""What a plan has to solve, what a plan is, and what it costs. Pure: values in, values out.

Days are counted from the first on which a visit can be made. A plan gives each technician and day
a tour; its cost is in weighed minutes, and lower is better. Everything that finds plans (`greedy`,
`solver`) is measured by `cost` and by nothing else.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from calibration.planning.distance import Place, drive_minutes

# Weights in minutes of somebody's time; our choice, from what a service manager would rather do.
UNPLACED = 100_000  # a visit that is not made before the season,
PER_BEYOND = 1_000_000  # for each sensor there that has left its tolerance (five at most),
PER_DAY_SOONER = 500  # and by how much it is due before the others
LATE = 60  # a day after the due day; also each day that an overdue one waits
MISSED = 600  # to be late at all, where it could be in time
BEYOND_WAITS = 240  # more, a day, for each sensor beyond tolerance (three at most)
EARLY = 5  # a day before the lead days: who is visited early is due early next year
SOON = 1  # a day: rather at the beginning of its lead days
MOVED = 480  # another day than the customer was told
HANDED = 90  # another technician on that day


@dataclass(frozen=True)
class Technician:
    """Somebody who drives out.

    Attributes
    ----------
    key
        The user.
    home
        Where each tour starts and ends; None where that is not known.
    minutes
        What can be worked on each day, drives included; 0 on a day off.
    """

    key: int
    home: Place | None
    minutes: tuple[int, ...]


@dataclass(frozen=True)
class Stop:
    """One visit that needs a day and a technician.

    Attributes
    ----------
    key
        Customer and part.
    due
        Its due day; negative: overdue.
    beyond
        How many open flags say that a sensor has left its tolerance.
    minutes
        The work there.
    place
        Where it is; None where that is not known.
    barred
        Days on which the customer cannot be visited.
    day, technician
        What it has now; None where it has none, or it cannot be kept.
    fixed
        An appointment: it stays on its day, whatever else.
    """

    key: tuple[int, int]
    due: int
    beyond: int
    minutes: int
    place: Place | None = None
    barred: frozenset[int] = frozenset()
    day: int | None = None
    technician: int | None = None
    fixed: bool = False

    @property
    def rank(self) -> tuple[int, int, tuple[int, int]]:
        """What sorts stops by consequence: beyond tolerance first, then the earliest due."""
        return -self.beyond, self.due, self.key


@dataclass(frozen=True)
class Problem:
    """Everything that a plan depends on.

    Attributes
    ----------
    days
        How many there are before the season, days off among them.
    technicians, stops
        Who drives, and where to.
    lead_days
        A visit is rather not made earlier than this before its due day.
    speed_kmh
        Along the great circle.
    """

    days: int
    technicians: tuple[Technician, ...]
    stops: tuple[Stop, ...]
    lead_days: int
    speed_kmh: float

    @cached_property
    def drive(self) -> list[list[int]]:
        """Minutes between the stops and, after them, the technicians' homes."""
        places = [stop.place for stop in self.stops] + [each.home for each in self.technicians]
        table = [[0] * len(places) for _ in places]
        for i, one in enumerate(places):
            for j in range(i):
                table[i][j] = table[j][i] = drive_minutes(one, places[j], self.speed_kmh)
        return table

    def home(self, technician: int) -> int:
        """Return the place of a technician's home in `drive`."""
        return len(self.stops) + technician


Tour = tuple[int, int]  # places of a technician and of a day


@dataclass(frozen=True)
class Plan:
    """Who visits whom, when, in which order; stops by their place in the problem.

    A stop that is in no tour is not visited before the season.
    """

    tours: Mapping[Tour, tuple[int, ...]]

    @cached_property
    def assigned(self) -> dict[int, Tour]:
        """The technician and day of each stop that is visited."""
        return {stop: tour for tour, stops in self.tours.items() for stop in stops}


def tour_minutes(problem: Problem, technician: int, stops: tuple[int, ...]) -> tuple[int, int]:
    """Return the drive and the work of a tour."""
    if not stops:
        return 0, 0
    drive, home = problem.drive, problem.home(technician)
    legs = zip((home, *stops), (*stops, home), strict=True)
    return sum(drive[a][b] for a, b in legs), sum(problem.stops[stop].minutes for stop in stops)


def day_cost(problem: Problem, stop: Stop, day: int) -> int:
    """Return what it costs to visit a stop on a day: being late, early, or moved."""
    start = max(0, stop.due - problem.lead_days)
    found = 0
    if stop.beyond:
        found += day * (LATE + BEYOND_WAITS * min(stop.beyond, 3))
    elif day > stop.due:
        found += LATE * (day - max(stop.due, 0)) + (MISSED if stop.due >= 0 else 0)
    elif day < start:
        found += EARLY * (start - day)
    else:
        found += SOON * (day - start)
    if stop.day is not None and stop.day != day:
        found += MOVED
    return found


def place_cost(problem: Problem, stop: Stop, tour: Tour) -> int:
    """Return what it costs to put a stop into a tour, without the drive."""
    technician, day = tour
    handed = stop.day == day and stop.technician is not None and stop.technician != technician
    return day_cost(problem, stop, day) + (HANDED if handed else 0)


def unplaced_cost(stop: Stop) -> int:
    """Return what it costs not to visit a stop before the season."""
    sooner = min(max(365 - stop.due, 0), 1000)
    return UNPLACED + PER_BEYOND * min(stop.beyond, 5) + PER_DAY_SOONER * sooner


def cost(problem: Problem, plan: Plan) -> int:
    """Return what a plan costs, in weighed minutes."""
    total = 0
    for (technician, day), stops in plan.tours.items():
        total += tour_minutes(problem, technician, stops)[0]
        total += sum(place_cost(problem, problem.stops[stop], (technician, day)) for stop in stops)
    left = (stop for i, stop in enumerate(problem.stops) if i not in plan.assigned)
    return total + sum(unplaced_cost(stop) for stop in left)


def broken(problem: Problem, plan: Plan) -> list[str]:
    """Return what a plan does that it must not; nothing, for a good one.

    An appointment may overfill a day: somebody has promised it.
    """
    wrong = []
    seen: list[int] = []
    for (technician, day), stops in plan.tours.items():
        seen += stops
        drive, work = tour_minutes(problem, technician, stops)
        movable = [stop for stop in stops if not problem.stops[stop].fixed]
        if movable and drive + work > problem.technicians[technician].minutes[day]:
            wrong.append(f"technician {technician} works too long on day {day}")
        wrong += [f"stop {stop} is barred on day {day}" for stop in movable
                  if day in problem.stops[stop].barred]  # fmt: skip
    if len(seen) != len(set(seen)):
        wrong.append("a stop is visited twice")
    for i, stop in enumerate(problem.stops):
        if stop.fixed and plan.assigned.get(i, (None, None))[1] != stop.day:
            wrong.append(f"appointment {i} was moved")
    return wrong
