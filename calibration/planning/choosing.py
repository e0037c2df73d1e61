"""The plan that is used: the greedy one, or a better one that the solver finds. Pure."""

from dataclasses import dataclass

from calibration.planning import solver
from calibration.planning.greedy import greedy_plan
from calibration.planning.problem import Plan, Problem, broken, cost

SECONDS = 20.0  # the longest that the solver searches for one dealer
SECONDS_PER_STOP = 0.05  # a short plan is searched for a short time
KEPT, GREEDY, SOLVER = "kept", "greedy", "solver"


@dataclass(frozen=True)
class Chosen:
    """A plan, with what it costs and how it was found.

    Attributes
    ----------
    plan
        Who visits whom.
    made_by
        "kept": everything stays, so nothing was searched; "greedy"; "solver".
    says
        The same in a sentence.
    cost, greedy_cost
        In weighed minutes; the first is never above the second.
    """

    plan: Plan
    made_by: str
    says: str
    cost: int
    greedy_cost: int


def choose(problem: Problem, *, seconds: float = SECONDS) -> Chosen:
    """Return the best plan that is found for a problem, never worse than the greedy one.

    Parameters
    ----------
    problem
        What has to be planned.
    seconds
        The longest time for the solver; 0: greedy only.
    """
    plan = greedy_plan(problem)
    price = cost(problem, plan)
    if _is_kept(problem, plan):
        return Chosen(plan, KEPT, "Everything keeps its day and technician.", price, price)
    why_not = _why_not(problem, plan, seconds)
    if why_not:
        return Chosen(plan, GREEDY, f"Greedy plan: {why_not}.", price, price)
    limit = min(seconds, SECONDS_PER_STOP * len(problem.stops))
    found = solver.search(problem, plan, seconds=limit)
    better = cost(problem, found) if found is not None and not broken(problem, found) else price
    if found is None or better >= price:
        says = f"Greedy plan: the solver found nothing better in {limit:.3g} s."
        return Chosen(plan, GREEDY, says, price, price)
    says = (
        f"Plan of the solver (OR-tools, {limit:.3g} s), {100.0 * (1.0 - better / price):.2g} % "
        "below the greedy plan."
    )
    return Chosen(found, SOLVER, says, better, price)


def _is_kept(problem: Problem, plan: Plan) -> bool:
    """Whether every stop is where it was."""
    return all(
        plan.assigned.get(i) == (stop.technician, stop.day)
        or (stop.fixed and i in plan.assigned and stop.technician is None)
        for i, stop in enumerate(problem.stops)
    )


def _why_not(problem: Problem, plan: Plan, seconds: float) -> str:
    """Why the solver is not asked; empty where it is."""
    if not any(any(each.minutes) for each in problem.technicians):
        return "there is no technician's day left to plan"
    if seconds <= 0:
        return "no time was given to search for a better one"
    if not solver.is_installed():
        return "the solver is not installed (spanbook[plan])"
    if solver.too_large(problem, plan):
        return f"{len(problem.stops)} visits are too many for the solver"
    return ""
