"""The plan that OR-tools' routing search finds from the greedy one. Pure.

Each technician's day is a vehicle; a stop may be left out at its price; what a day costs a stop
stands on the way to it. The search starts from the greedy plan and only ever improves what it
knows, so that it can be stopped at any time.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.planning.problem import (
    Plan,
    Problem,
    Tour,
    day_cost,
    tour_minutes,
    unplaced_cost,
)

MOST_TOURS = 320  # tours that take part: those in use, then the free ones, the earliest first
MOST_CELLS = 12_000_000  # of the tables handed over; beyond, the search would only be loading
SEED = 7

Ints = NDArray[np.int64]


def is_installed() -> bool:
    """Whether the solver is there (the optional dependency `plan`)."""
    try:
        import ortools.constraint_solver  # noqa: F401
    except ImportError:
        return False
    return True


def too_large(problem: Problem, start: Plan) -> bool:
    """Whether the tables for a problem would be larger than is sensible."""
    days = len({day for _, day in _tours(problem, start)})
    return days * (len(problem.stops) + len(problem.technicians)) ** 2 > MOST_CELLS


def search(problem: Problem, start: Plan, *, seconds: float) -> Plan | None:
    """Return the best plan found in a time, None where nothing was found.

    Parameters
    ----------
    problem
        What has to be planned; with a technician and a stop at least.
    start
        The plan to begin from.
    seconds
        The time limit. The seed is fixed; how far the search comes depends on the machine.
    """
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    tours = _tours(problem, start)
    homes = [problem.home(technician) for technician, _ in tours]
    size = len(problem.stops) + len(problem.technicians)
    manager = pywrapcp.RoutingIndexManager(size, len(tours), homes, homes)
    routing = pywrapcp.RoutingModel(manager)
    routing.solver().ReSeed(SEED)
    _say_costs(routing, problem, tours)
    _say_minutes(routing, problem, start, tours)
    _say_choices(routing, manager, problem, tours)
    asked = pywrapcp.DefaultRoutingSearchParameters()
    asked.local_search_metaheuristic = (
        routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    )
    asked.time_limit.FromMilliseconds(max(1, round(1000 * seconds)))
    routing.CloseModelWithParameters(asked)
    begin = [list(start.tours.get(tour, ())) for tour in tours]
    first = routing.ReadAssignmentFromRoutes(begin, True)  # noqa: FBT003 - the library's order
    if first is None:
        return None
    found = routing.SolveFromAssignmentWithParameters(first, asked)
    return _plan(routing, manager, found, tours) if found is not None else None


def _tours(problem: Problem, start: Plan) -> list[Tour]:
    """The tours that take part."""
    used = {tour for tour, stops in start.tours.items() if stops}
    free = sorted(
        (day, technician)
        for technician, each in enumerate(problem.technicians)
        for day, minutes in enumerate(each.minutes)
        if minutes and (technician, day) not in used
    )
    more = [(technician, day) for day, technician in free][: max(0, MOST_TOURS - len(used))]
    return sorted([*used, *more])


def _say_costs(routing: Any, problem: Problem, tours: list[Tour]) -> None:
    """The drive, and at each stop what the day costs it."""
    drive = np.array(problem.drive, dtype=np.int64)
    evaluators = {}
    for vehicle, (_, day) in enumerate(tours):
        if day not in evaluators:
            table = drive.copy()
            for i, stop in enumerate(problem.stops):
                table[:, i] += day_cost(problem, stop, day)
            evaluators[day] = routing.RegisterTransitMatrix(table.tolist())
        routing.SetArcCostEvaluatorOfVehicle(evaluators[day], vehicle)


def _say_minutes(routing: Any, problem: Problem, start: Plan, tours: list[Tour]) -> None:
    """How long a tour may take; one that appointments overfill, as long as it takes."""
    table = np.array(problem.drive, dtype=np.int64)
    work = [stop.minutes for stop in problem.stops] + [0] * len(problem.technicians)
    table += np.array(work, dtype=np.int64)[:, None]
    most = [
        max(
            problem.technicians[technician].minutes[day],
            sum(tour_minutes(problem, technician, start.tours.get((technician, day), ()))),
        )
        for technician, day in tours
    ]
    transit = routing.RegisterTransitMatrix(table.tolist())
    routing.AddDimensionWithVehicleCapacity(transit, 0, most, True, "minutes")  # noqa: FBT003


def _say_choices(routing: Any, manager: Any, problem: Problem, tours: list[Tour]) -> None:
    """Which tours each stop may be in, and what it costs to leave it out."""
    for i, stop in enumerate(problem.stops):
        index = manager.NodeToIndex(i)
        if not stop.fixed:
            routing.AddDisjunction([index], unplaced_cost(stop))
        allowed = [v for v, tour in enumerate(tours) if _may_be_in(problem, i, tour)]
        # -1 stands for no tour; without it a stop could not be left out.
        routing.VehicleVar(index).SetValues(allowed if stop.fixed else [-1, *allowed])


def _may_be_in(problem: Problem, i: int, tour: Tour) -> bool:
    """Whether a stop may be in a tour; one with a technician is not handed over on its day."""
    stop, (technician, day) = problem.stops[i], tour
    if stop.day == day and stop.technician is not None:
        works = problem.technicians[stop.technician].minutes[day]
        return technician == stop.technician or (not works and not stop.fixed)
    return day == stop.day if stop.fixed else day not in stop.barred


def _plan(routing: Any, manager: Any, found: Any, tours: list[Tour]) -> Plan:
    """Read the plan that was found."""
    plan = {}
    for vehicle, tour in enumerate(tours):
        stops = []
        index = found.Value(routing.NextVar(routing.Start(vehicle)))
        while not routing.IsEnd(index):
            stops.append(manager.IndexToNode(index))
            index = found.Value(routing.NextVar(index))
        if stops:
            plan[tour] = tuple(stops)
    return Plan(plan)
