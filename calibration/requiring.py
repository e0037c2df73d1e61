"""What any value of a record must be: one of a few, a number of reason, a text, a day gone by."""

import math
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from fleet.errors import Problem
from fleet.texts import problem_of

CLOCK_SKEW = timedelta(minutes=5)  # a tablet's clock may be a little ahead of ours
GREATEST_NUMBER = 1e12


def choice(field: str, value: object, accepted: Any) -> Iterator[Problem]:
    """Yield a problem where a value is none of the accepted ones."""
    if value not in accepted:
        yield Problem(field, "Not one of the known values", ", ".join(accepted), str(value)[:40])


def number(field: str, value: object, *, least: float = -GREATEST_NUMBER) -> Iterator[Problem]:
    """Yield a problem where a value is no finite number of reasonable size."""
    if type(value) is float and least <= value <= GREATEST_NUMBER:
        return
    accepted = "a finite number with a decimal point"
    try:
        good = not isinstance(value, bool | str) and math.isfinite(float(value))  # type: ignore[arg-type] # refused below
    except (TypeError, ValueError, OverflowError):
        good = False
    if not good:
        yield Problem(field, "Not a number that can be used", accepted, str(value)[:40])
    elif not least <= float(value) <= GREATEST_NUMBER:  # type: ignore[arg-type] # a number, see above
        yield Problem(field, "Out of reason", f"{least:g} to {GREATEST_NUMBER:g}", str(value)[:40])


def text(field: str, value: str, longest: int, *, lines: bool = False) -> Iterator[Problem]:
    """Yield a problem where a text is too long or holds characters that cannot be shown."""
    if len(value) > longest:
        yield Problem(field, "Too long", f"at most {longest} characters", f"{value[:40]}...")
    broken = problem_of(field, value, lines=lines)
    if broken:
        yield broken


def moment(field: str, when: datetime, *, now: datetime) -> Iterator[Problem]:
    """Yield a problem where a moment is in the future or before this trade had sensors."""
    if when > now + CLOCK_SKEW:
        yield Problem(field, "In the future", f"not after {now:%Y-%m-%dT%H:%MZ}", when.isoformat())
    elif when.year < 1950:
        yield Problem(field, "Too long ago", "a date after 1950", when.isoformat())
