"""A dealer's calendar: which season a day belongs to, and the last day to be ready for it.

A season is named by the year in which its seeding starts, and takes in the half year before that
start and the half year after it: a sensor calibrated in November for the seeding of next March
belongs to next year's season. Works in both hemispheres.
"""

import re
from datetime import date, timedelta
from functools import lru_cache

HALF_YEAR = timedelta(days=183)


@lru_cache(maxsize=400)  # there are 365
def parse_start(text: str) -> tuple[int, int]:
    """Return month and day of a seeding start written ``MM-DD``.

    Raises
    ------
    ValueError
        If it is not a day that every year has.
    """
    if not re.fullmatch(r"\d\d-\d\d", text):
        raise ValueError("write the seeding start as MM-DD, for example 03-20")
    month, day = int(text[:2]), int(text[3:])
    date(2001, month, day)  # a common year: 02-29 is refused
    return month, day


def starts_on(year: int, season_start: str) -> date:
    """Return the day on which the season of that year starts."""
    month, day = parse_start(season_start)
    return date(year, month, day)


def season_of(day: date, season_start: str) -> int:
    """Return the name (year) of the season to which a day belongs."""
    year = (day + HALF_YEAR).year
    if day < starts_on(year, season_start) - HALF_YEAR:
        return year - 1
    if day >= starts_on(year + 1, season_start) - HALF_YEAR:
        return year + 1
    return year
