"""A customer's machines, cut into parts of at most a day's work. Pure."""

from collections.abc import Iterable
from typing import NamedTuple


class Work(NamedTuple):
    """One machine's work: how long, since when due, and the part in which it is planned now."""

    machine: int
    minutes: int
    due: int
    part: int | None


def split(works: Iterable[Work], budget: int) -> dict[int, int]:
    """Return the part of each machine, counted from 1; no part holds more than the budget.

    A machine stays in its part while there is room; the others fill the first part that has some,
    the earliest due first. A machine that takes more than the budget has a part for itself.
    """
    found: dict[int, int] = {}
    used: dict[int, int] = {}
    ordered = sorted(works, key=lambda work: (work.part is None, work.due, work.machine))
    for work in ordered:
        part = work.part
        if part is None or (used.get(part) and used[part] + work.minutes > budget):
            part = 1
            while used.get(part) and used[part] + work.minutes > budget:
                part += 1
        found[work.machine] = part
        used[part] = used.get(part, 0) + work.minutes
    return found
