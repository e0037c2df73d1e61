"""Trends over a sensor's seasons: rate of the slope, and when it leaves its tolerance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import History
from calibration.metrology import pairing
from calibration.metrology.crossing import crossing
from calibration.metrology.drift import LineState
from calibration.metrology.pairing import Pairs
from calibration.metrology.trend import theil_sen

Floats = NDArray[np.float64]

WINDOW = 12  # calibrations that a trend looks back on
FEWEST_SEASONS = 3
DAYS_PER_YEAR = 365.25
HORIZON_DAYS = 40 * DAYS_PER_YEAR  # a crossing further off is no statement


@dataclass(frozen=True)
class Tendency:
    """Trend of the slope at each calibration; NaN where there are too few seasons.

    Attributes
    ----------
    slope_pct_per_year : (K,) array [% / year]
    expected_crossing, earliest_crossing : (K,) arrays [days since 1970-01-01]
    """

    slope_pct_per_year: Floats
    expected_crossing: Floats
    earliest_crossing: Floats


def tend(
    history: History, state: LineState, pairs: Pairs, tolerance_pct: Floats, confidence: Floats
) -> Tendency:
    """Return the trend of the slope as it was known at each calibration.

    One calibration a season takes part: the season's last, and the one in question for its own.
    The slope is taken in % of the newest, whose numbers are in the cab: the tolerance is counted
    from there.
    """
    count = len(history)
    index, mask = pairing.window(pairs, WINDOW)
    last_of_season = np.ones(count, dtype=bool)
    last_of_season[:-1] = (history.season[1:] != history.season[:-1]) | (
        pairs.segment_start[1:] != pairs.segment_start[:-1]
    )
    itself = index == np.arange(count)[:, None]
    other_season = history.season[index] != history.season[:, None]
    mask &= itself | (last_of_season[index] & other_season)
    enough = mask.sum(axis=1) >= FEWEST_SEASONS
    unknown = np.full(count, np.nan)
    if not enough.any():
        return Tendency(unknown, unknown.copy(), unknown.copy())
    index, mask = index[enough], mask[enough]
    newest = np.flatnonzero(enough)
    rate, u_rate = _rates(history, state, index, mask, newest)
    u_level = 100.0 * np.abs(state.u_slope / state.slope)[newest]
    days = [
        _days(rate, u_rate, u_level, tolerance_pct[newest], confidence[newest], which)
        for which in ("expected", "earliest")
    ]
    return Tendency(
        _filled(unknown, newest, rate * DAYS_PER_YEAR),
        *(_filled(unknown, newest, history.day[newest] + day) for day in days),
    )


def _rates(
    history: History,
    state: LineState,
    index: NDArray[np.int64],
    mask: NDArray[np.bool_],
    newest: NDArray[np.int64],
) -> tuple[Floats, Floats]:
    """Rate and its standard uncertainty [% / day] of windows that end at `newest`."""
    slope_pct = 100.0 * (state.slope[index] / state.slope[newest][:, None] - 1.0)
    random = 100.0 * np.abs(state.u_slope / state.slope)[index]
    other = history.reference[index] != history.reference[newest][:, None]
    u = np.hypot(random, np.where(other, state.reference_pct[index], 0.0))
    trend = theil_sen(history.day[index], slope_pct, mask, u=u)
    return trend.rate, trend.u_rate


def _days(
    rate: Floats,
    u_rate: Floats,
    u_level: Floats,
    tolerance: Floats,
    confidence: Floats,
    which: str,
) -> Floats:
    """Days from the newest calibration to the crossing, by each rule's confidence."""
    found = np.full(len(rate), np.nan)
    for level in np.unique(confidence):
        at = confidence == level
        days = crossing(
            np.zeros(at.sum()),
            rate[at],
            tolerance[at],
            u_level=u_level[at],
            u_rate=u_rate[at],
            confidence=max(float(level), 0.5),
        )
        found[at] = getattr(days, which)
    return np.where(found <= HORIZON_DAYS, found, np.nan)


def _filled(unknown: Floats, where: NDArray[np.int64], values: Floats) -> Floats:
    result = unknown.copy()
    result[where] = values
    return result
