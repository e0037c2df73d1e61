"""A season's plan: 300 machines, 8 technicians, 30 days; the solver's plan beside the greedy one.

    python -m tests.bench.planning [--machines 300] [--technicians 8] [--days 30] [--seeds 3]

Ratios inside one run; the last line is one JSON object. Costs are those of
`calibration.planning.problem.cost`; `lower_cost` is the chosen plan's to the greedy one's. `moved`
is how many visits move when one technician is off for a day of a plan that stands, `must_move` how
many have to.
"""

import argparse
import json
import random
import time
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calibration.planning.problem import Problem

PER_CUSTOMER = 2  # machines, on average


def rural(
    seed: int, *, stops: int, technicians: int, days: int, standing: bool = False
) -> "Problem":
    """Return customers around a dealer, some overdue, some beyond tolerance."""
    from calibration.planning.distance import Place
    from calibration.planning.problem import Problem, Stop, Technician

    rng = random.Random(seed)
    working = tuple(0 if day % 7 >= 5 else 480 for day in range(days))
    people = tuple(
        Technician(n, Place(52.0 + rng.uniform(-0.3, 0.3), 17.0 + rng.uniform(-0.5, 0.5)), working)
        for n in range(technicians)
    )
    made = []
    for n in range(stops):
        machines = rng.choice((1, 1, 2, 2, 2, 4))
        made.append(
            Stop(
                key=(n, 1),
                due=rng.randint(-15, days),
                beyond=rng.choice((0,) * 9 + (1,)),
                minutes=machines * 30 + rng.randint(machines, 2 * machines) * 20,
                place=Place(52.0 + rng.gauss(0, 0.3), 17.0 + rng.gauss(0, 0.5)),
                barred=frozenset(rng.sample(range(days), k=min(3, days))),
                day=rng.randrange(days) if standing and n % 2 else None,
            )
        )
    return Problem(days, people, tuple(made), 14, 50.0)


def measured(problem: "Problem", seconds: float) -> "tuple[dict[str, float], Problem]":
    """Return what one problem came to, and the same one with its plan standing."""
    from calibration.planning.choosing import choose
    from calibration.planning.problem import broken

    began = time.perf_counter()
    chosen = choose(problem, seconds=seconds)
    took = time.perf_counter() - began
    assert broken(problem, chosen.plan) == []
    stops = [
        replace(stop, technician=chosen.plan.assigned[i][0], day=chosen.plan.assigned[i][1])
        for i, stop in enumerate(problem.stops)
        if i in chosen.plan.assigned
    ]
    figures = {
        "lower_cost": chosen.cost / chosen.greedy_cost,
        "placed": len(chosen.plan.assigned) / len(problem.stops),
        "seconds": took,
    }
    return figures, replace(problem, stops=tuple(stops))


def replanned(problem: "Problem") -> dict[str, float]:
    """Return how many visits have to move, and do, when a technician is off for a day."""
    from calibration.planning.choosing import choose

    off, who = problem.stops[0].day or 0, problem.stops[0].technician or 0
    people = list(problem.technicians)
    minutes = tuple(0 if day == off else each for day, each in enumerate(people[who].minutes))
    people[who] = replace(people[who], minutes=minutes)
    changed = replace(problem, technicians=tuple(people))
    must = sum((stop.technician, stop.day) == (who, off) for stop in problem.stops)
    found = choose(changed, seconds=5).plan
    moved = sum(
        found.assigned.get(i) != (stop.technician, stop.day)
        for i, stop in enumerate(problem.stops)
    )
    return {"must_move": must, "moved": moved}


def main() -> None:
    """Measure, print, and end with the JSON line."""
    import os

    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")
    django.setup()
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in (("machines", 300), ("technicians", 8), ("days", 30), ("seeds", 3)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--seconds", type=float, default=20.0)
    asked = parser.parse_args()
    rows = []
    for seed in range(asked.seeds):
        problem = rural(
            seed,
            stops=asked.machines // PER_CUSTOMER,
            technicians=asked.technicians,
            days=asked.days,
        )
        figures, standing = measured(problem, asked.seconds)
        rows.append(figures | replanned(standing))
        print(f"seed {seed}: " + ", ".join(f"{k} {v:.4g}" for k, v in rows[-1].items()))
    print(json.dumps({"machines": asked.machines, "rows": rows}))


if __name__ == "__main__":
    main()
