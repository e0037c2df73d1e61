"""Which days are worked in a country: its weekend and its public holidays.

Public holidays come from the `holidays` library; a dealer without a country keeps Monday to
Friday and no holiday.
"""

from collections.abc import Iterator
from datetime import date, timedelta
from functools import lru_cache

import holidays

WEEKEND = frozenset({5, 6})  # Saturday and Sunday, where no country is named


@lru_cache(maxsize=1)
def countries() -> dict[str, tuple[str, ...]]:
    """Return the countries that are known (ISO 3166-1, two letters), each with its parts."""
    known = holidays.list_supported_countries(include_aliases=True)
    return {code: tuple(parts) for code, parts in known.items() if code.isalpha()}


@lru_cache(maxsize=4096)
def _calendar(country: str, subdivision: str, year: int) -> tuple[frozenset[int], frozenset[date]]:
    """The weekend, and the public holidays of a year."""
    if not country:
        return WEEKEND, frozenset()
    found = holidays.country_holidays(country, subdiv=subdivision or None, years=year)
    return frozenset(found.weekend), frozenset(found)


def is_worked(day: date, country: str = "", subdivision: str = "") -> bool:
    """Whether people work on a day in a country, or in a part of it."""
    weekend, closed = _calendar(country, subdivision, day.year)
    return day.weekday() not in weekend and day not in closed


def is_holiday(day: date, country: str = "", subdivision: str = "") -> bool:
    """Whether a day is a public holiday."""
    return day in _calendar(country, subdivision, day.year)[1]


def last_before(day: date, country: str = "", subdivision: str = "") -> date:
    """Return the last working day before a day."""
    before = day - timedelta(days=1)
    while not is_worked(before, country, subdivision):
        before -= timedelta(days=1)
    return before


def worked(first: date, last: date, country: str = "", subdivision: str = "") -> Iterator[date]:
    """Yield the working days from one day to another, both included."""
    for ahead in range((last - first).days + 1):
        day = first + timedelta(days=ahead)
        if is_worked(day, country, subdivision):
            yield day
