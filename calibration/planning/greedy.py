"""The plan without a solver: who can stay stays, the worst are placed first. Pure.

Appointments come first, then visits that keep their day and technician, then the others, the
worst first, each where it costs least. Then whoever is badly placed is moved once where that is
cheaper; and a worse stop without a place takes the place of one that matters less.
"""

from collections.abc import Iterable, Iterator

from calibration.planning.problem import (
    Plan,
    Problem,
    Tour,
    place_cost,
    tour_minutes,
    unplaced_cost,
)

MOST_EXCHANGES = 40  # stops that try to take another's place,
MOST_LOOKS = 500_000  # and tours that are looked at for it: a few seconds


def greedy_plan(problem: Problem) -> Plan:
    """Return the greedy plan."""
    board = Board(problem)
    ranked = sorted(range(len(problem.stops)), key=lambda i: problem.stops[i].rank)
    board.keep(ranked)
    for i in ranked:
        if i not in board.where:
            board.place(i)
    for i in ranked:
        board.improve(i)
    for i in _unhappy(board, ranked)[:MOST_EXCHANGES]:
        board.take_over(i, ranked)
    for i in ranked:  # whoever moved has left room
        if i not in board.where:
            board.place(i)
    return board.plan()


def _unhappy(board: "Board", ranked: Iterable[int]) -> list[int]:
    """Those without a place, and those beyond tolerance that have to wait; the worst first."""
    stops = board.problem.stops
    return [
        i
        for i in ranked
        if not stops[i].fixed
        and (i not in board.where or (stops[i].beyond and board.where[i][1] > 0))
    ]


class Board:
    """A plan that is being made."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.tours: dict[Tour, tuple[int, ...]] = {}
        self.used: dict[Tour, int] = {}
        self.where: dict[int, Tour] = {}
        self.looks = 0
        self.tours_in_all = sum(
            bool(minutes) for each in problem.technicians for minutes in each.minutes
        )

    def plan(self) -> Plan:
        """Return what stands on the board."""
        return Plan({tour: stops for tour, stops in sorted(self.tours.items()) if stops})

    # ── Changing ──────────────────────────────────────────────────────────────
    def keep(self, ranked: Iterable[int]) -> None:
        """Put appointments where they are, then the others that can stay where they are."""
        stops = self.problem.stops
        for i in ranked:
            day = stops[i].day
            if not stops[i].fixed or day is None:
                continue
            tours = self._on(i, day) or [(t, day) for t in range(len(self.problem.technicians))]
            if tours:  # without a technician an appointment is a person's own affair
                room = {tour: self._added(i, tour)[0] - self._room(tour) for tour in tours}
                self._put(i, min(tours, key=lambda tour: (room[tour], tour)))
        for i in ranked:
            day = stops[i].day
            if stops[i].fixed or day is None or day in stops[i].barred:
                continue
            fitting = [tour for tour in self._on(i, day) if self._fits(i, tour)]
            if fitting:
                self._put(i, min(fitting, key=lambda tour: (self._price(i, tour), tour)))

    def place(self, i: int) -> bool:
        """Put a stop where it costs least; False where it fits nowhere."""
        best = self.best(i)
        if best is not None:
            self._put(i, best[1])
        return best is not None

    def improve(self, i: int) -> None:
        """Move a stop where that is cheaper."""
        tour = self.where.get(i)
        if tour is None or self.problem.stops[i].fixed:
            return
        before = self._take(i)
        best = self.best(i)
        to = tour
        if best is not None and best[0] < before:
            to = best[1]
        self._put(i, to)

    def take_over(self, i: int, ranked: list[int]) -> None:
        """Let a stop have the place of one that matters less, where all in all that is cheaper."""
        stops = self.problem.stops
        at = self.where.get(i)
        now = self._take(i) if at is not None else unplaced_cost(stops[i])
        best: tuple[int, Tour, int] | None = None
        for other, tour in self._lesser(i, at, ranked):
            saved = self._take(other)
            if self._fits(i, tour):
                price = self._price(i, tour)
                self._put(i, tour)
                again = self.best(other)
                self.looks += self.tours_in_all
                price += again[0] if again else unplaced_cost(stops[other])
                self._take(i)
                if price - saved < now and (best is None or price - saved < best[0]):
                    best = (price - saved, tour, other)
            self._put(other, tour)
        if best is not None:
            _, tour, other = best
            self._take(other)
            self._put(i, tour)
            self.place(other)
        elif at is not None:
            self._put(i, at)

    def _lesser(self, i: int, at: Tour | None, ranked: list[int]) -> Iterator[tuple[int, Tour]]:
        """Stops whose place another may take: that matter less, on a day that is sooner for it."""
        stops = self.problem.stops
        for other in reversed(ranked):
            tour = self.where.get(other)
            if tour is None or stops[other].fixed or stops[other].rank <= stops[i].rank:
                continue
            if tour[1] in stops[i].barred or (at is not None and tour[1] >= at[1]):
                continue
            if self.looks > MOST_LOOKS:
                return
            yield other, tour

    # ── Looking ───────────────────────────────────────────────────────────────
    def best(self, i: int) -> tuple[int, Tour] | None:
        """Return the cheapest tour that has room, and what it costs."""
        fitting = ((self._price(i, tour), tour) for tour in self._open(i) if self._fits(i, tour))
        return min(fitting, default=None)

    def _open(self, i: int) -> Iterator[Tour]:
        stop = self.problem.stops[i]
        for t, technician in enumerate(self.problem.technicians):
            for day, minutes in enumerate(technician.minutes):
                if minutes >= stop.minutes and day not in stop.barred:
                    yield t, day

    def _on(self, i: int, day: int) -> list[Tour]:
        """Tours of a day that a stop may be in: its technician's, or where it has none, all."""
        named = self.problem.stops[i].technician
        who = range(len(self.problem.technicians)) if named is None else [named]
        return [
            (t, day) for t in who if self.problem.technicians[t].minutes[day] or self._fixed(i)
        ]

    def _fixed(self, i: int) -> bool:
        return self.problem.stops[i].fixed

    def _room(self, tour: Tour) -> int:
        return self.problem.technicians[tour[0]].minutes[tour[1]] - self.used.get(tour, 0)

    def _fits(self, i: int, tour: Tour) -> bool:
        return self._added(i, tour)[0] + self.problem.stops[i].minutes <= self._room(tour)

    def _price(self, i: int, tour: Tour) -> int:
        return self._added(i, tour)[0] + place_cost(self.problem, self.problem.stops[i], tour)

    def _added(self, i: int, tour: Tour) -> tuple[int, int]:
        """The least further drive, and before which stop of the tour it is had."""
        drive, home = self.problem.drive, self.problem.home(tour[0])
        stops = self.tours.get(tour, ())
        row = drive[i]
        points = (home, *stops, home)
        return min(
            (row[points[at]] + row[points[at + 1]] - (drive[points[at]][points[at + 1]]), at)
            for at in range(len(stops) + 1)
        )

    # ── The board itself ──────────────────────────────────────────────────────
    def _put(self, i: int, tour: Tour) -> None:
        added, at = self._added(i, tour)
        stops = self.tours.get(tour, ())
        self.tours[tour] = (*stops[:at], i, *stops[at:])
        self.used[tour] = self.used.get(tour, 0) + added + self.problem.stops[i].minutes
        self.where[i] = tour

    def _take(self, i: int) -> int:
        """Take a stop off the board; return what it cost there."""
        tour = self.where.pop(i)
        before = tour_minutes(self.problem, tour[0], self.tours[tour])[0]
        self.tours[tour] = tuple(stop for stop in self.tours[tour] if stop != i)
        drive, work = tour_minutes(self.problem, tour[0], self.tours[tour])
        self.used[tour] = drive + work
        return before - drive + place_cost(self.problem, self.problem.stops[i], tour)
