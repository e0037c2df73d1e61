"""Dealers' calendars over arrays: the local day of a moment, and what a season asks of a day.

Days are whole numbers since 1970-01-01, moments microseconds since 1970 UTC.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from fleet import seasons, workdays

Ints = NDArray[np.int64]

DAY_US = 86_400_000_000
_SECOND_US = 1_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST_DAY = date(1970, 1, 1).toordinal()
# Clocks were never changed twice within so many seconds (a test reads every zone's table).
_STEP_S = 2 * 86_400


class SeasonCalendar(NamedTuple):
    """When seeding starts (100 * month + day), and whose working days count."""

    start: int
    country: str = ""
    subdivision: str = ""


def number_of(day: date) -> int:
    """Return a date as days since 1970."""
    return day.toordinal() - _FIRST_DAY


def date_of(day: int) -> date:
    """Return days since 1970 as a date."""
    return date.fromordinal(day + _FIRST_DAY)


def local_days(moment: Ints, zone: Ints, names: Sequence[str]) -> Ints:
    """Return the local day of each moment; parameters and errors as of `leads`.

    Returns
    -------
    (N,) array [days since 1970]
    """
    return (moment + leads(moment, zone, names)) // DAY_US


def leads(moment: Ints, zone: Ints, names: Sequence[str]) -> Ints:
    """Return how far the local clock was ahead of UTC at each moment.

    Parameters
    ----------
    moment : (N,) array [us since 1970 UTC]
    zone : (N,) array
        Place of each moment's time zone in `names`.
    names
        Names of the IANA time zone database.

    Returns
    -------
    (N,) array [us]

    Raises
    ------
    zoneinfo.ZoneInfoNotFoundError
        For a name that is not in the database.
    """
    lead = np.zeros(len(moment), dtype=np.int64)
    for place, rows in _each(zone):
        at = moment[rows]
        since, offset = _offsets(names[place], at)
        lead[rows] = offset[np.searchsorted(since, at, side="right") - 1]
    return lead


def seasons_of(day: Ints, start: Ints) -> Ints:
    """Return the season to which each day belongs: `fleet.seasons.season_of` over arrays.

    Parameters
    ----------
    day : (N,) array [days since 1970]
    start : (N,) array
        Seeding start of each day's dealer, 100 * month + day.

    Returns
    -------
    (N,) array [year]
    """
    found = np.zeros(len(day), dtype=np.int64)
    for mmdd, rows in _each(start):
        first, begins = _seasons(mmdd, *_years(day[rows]))
        found[rows] = first + np.searchsorted(begins, day[rows], side="right") - 1
    return found


def ready_days(day: Ints, which: Ints, kept: Sequence[SeasonCalendar]) -> Ints:
    """Return the last working day before the season after the one to which each day belongs.

    Parameters
    ----------
    day : (N,) array [days since 1970]
    which : (N,) array
        Place of each day's calendar in `kept`.
    kept
        The dealers' calendars.

    Returns
    -------
    (N,) array [days since 1970]
    """
    found = np.zeros(len(day), dtype=np.int64)
    for place, rows in _each(which):
        years = _years(day[rows])
        _, begins = _seasons(kept[place].start, *years)
        ready = _ready(kept[place], *years)
        found[rows] = ready[np.searchsorted(begins, day[rows], side="right") - 1]
    return found


def start_number(season_start: str) -> int:
    """Return a seeding start written MM-DD as 100 * month + day."""
    month, day = seasons.parse_start(season_start)
    return 100 * month + day


def _each(code: Ints) -> Iterator[tuple[int, Ints | slice]]:
    """Yield every code that occurs, with its rows; codes are small numbers."""
    present = np.flatnonzero(np.bincount(code)).tolist() if len(code) else []
    if len(present) == 1:
        yield present[0], slice(None)
        return
    for one in present:
        yield one, np.flatnonzero(code == one)


def _years(day: Ints) -> tuple[int, int]:
    """Years that take in all days, rounded to decades so that few tables are made."""
    first, last = date_of(int(day.min())).year, date_of(int(day.max())).year
    return (first - 1) // 10 * 10, (last + 11) // 10 * 10


def _range(first: int, last: int) -> range:
    """The years of a table, within those that there are."""
    return range(max(first, date.min.year + 1), min(last, date.max.year - 1) + 1)


def _written(mmdd: int) -> str:
    return f"{mmdd // 100:02}-{mmdd % 100:02}"


@lru_cache(maxsize=1024)
def _seasons(mmdd: int, first: int, last: int) -> tuple[int, Ints]:
    """The first season, and the day on which each begins."""
    start, years = _written(mmdd), _range(first, last)
    begins = [number_of(seasons.starts_on(year, start) - seasons.HALF_YEAR) for year in years]
    return years[0], np.array(begins, dtype=np.int64)


@lru_cache(maxsize=1024)
def _ready(kept: SeasonCalendar, first: int, last: int) -> Ints:
    """The last working day before the season that follows each one."""
    start, where = _written(kept.start), (kept.country, kept.subdivision)
    ready = [
        number_of(workdays.last_before(seasons.starts_on(year + 1, start), *where))
        for year in _range(first, last)
    ]
    return np.array(ready, dtype=np.int64)


def _offsets(zone: str, moment: Ints) -> tuple[Ints, Ints]:
    """Since when which offset from UTC holds, in all years in which a moment lies [us]."""
    year = moment.astype("datetime64[us]").astype("datetime64[Y]").astype(np.int64)
    first = int(year.min())
    present = np.flatnonzero(np.bincount(year - first)) + first + 1970
    changes = [change for one in present.tolist() for change in _changes(zone, one)]
    table = np.array(changes, dtype=np.int64) * _SECOND_US
    return table[:, 0], table[:, 1]


@lru_cache(maxsize=8192)
def _changes(zone: str, year: int) -> list[tuple[int, int]]:
    """Offsets of a zone in a year of UTC: from which second on [s since 1970], and how much [s].

    The first entry is the year's first second.
    """
    clock = ZoneInfo(zone)

    def offset(second: int) -> int:
        there = (_EPOCH + timedelta(seconds=second)).astimezone(clock).utcoffset()
        return int(there.total_seconds()) if there is not None else 0

    begin = 86_400 * number_of(date(year, 1, 1))
    end = 86_400 * (number_of(date(year, 12, 31)) + 1)
    found = [(begin, offset(begin))]
    for low, high in pairwise([*range(begin, end, _STEP_S), end]):
        before = found[-1][1]
        if offset(high) == before:
            continue
        still, changed = low, high
        while changed - still > 1:
            middle = (still + changed) // 2
            if offset(middle) == before:
                still = middle
            else:
                changed = middle
        found.append((changed, offset(changed)))
    return found
