"""Trends over a sensor's seasons: rate of the slope, and when it leaves its tolerance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import History
from calibration.metrology.crossing import crossing
from calibration.metrology.drift import LineState
from calibration.metrology.pairing import Pairs, Window, believed, windows
from calibration.metrology.trend import stated_uncertainty, theil_sen

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

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
    history: History, state: LineState, pairs: Pairs, limits: tuple[Floats, Floats], trusted: Bools
) -> Tendency:
    """Return the trend of the slope as it was known at each calibration.

    One calibration a season takes part: the season's last, and the one in question for its own.
    Numbers that are not believed take no part, and have no trend. The slope is taken in % of the
    newest, whose numbers are in the cab: the tolerance is counted from there. `limits` are that
    tolerance [%] and the confidence of the earliest crossing.
    """
    result = Tendency(*(np.full(len(history), np.nan) for _ in range(3)))
    relative = 100.0 * np.abs(state.u_slope / state.slope)
    for whole in windows(pairs, history.season, WINDOW, FEWEST_SEASONS):
        window = whole if trusted.all() else believed(whole, trusted, FEWEST_SEASONS)
        newest = window.index[-1]
        rate, u_rate = _rates(history, state, relative, window)
        tolerance, confidence = (each[newest] for each in limits)
        days = _days(rate, u_rate, relative[newest], tolerance, confidence)
        result.slope_pct_per_year[newest] = rate * DAYS_PER_YEAR
        result.expected_crossing[newest] = history.day[newest] + days[0]
        result.earliest_crossing[newest] = history.day[newest] + days[1]
    return result


def _rates(
    history: History, state: LineState, relative: Floats, window: Window
) -> tuple[Floats, Floats]:
    """Rate and its standard uncertainty [% / day] at the newest calibrations of a window."""
    index, used = window.index, window.used
    slope = state.slope[index]
    day = history.day[index]
    trend = theil_sen(day.T, (100.0 * (slope / slope[-1] - 1.0)).T, used.T)
    # The uncertainties are asked for only where the slopes themselves set no limits: few seasons.
    rows = np.flatnonzero(trend.known & ~trend.bounded)
    index, day, used = index[:, rows], day[:, rows], used[:, rows]
    u_rate = trend.u_rate.copy()
    u_rate[rows] = stated_uncertainty(
        day.T,
        relative[index].T,
        used.T,
        group=history.reference[index].T,
        u_group=state.reference_pct[index].T,
    )
    return trend.rate, u_rate


def _days(
    rate: Floats, u_rate: Floats, u_level: Floats, tolerance: Floats, confidence: Floats
) -> tuple[Floats, Floats]:
    """Days from the newest calibration to the crossing, expected and earliest, by each rule."""
    expected, earliest = np.empty(len(rate)), np.empty(len(rate))
    levels = np.unique(confidence)
    for level in levels:
        at: slice | NDArray[np.int64] = slice(None)
        if len(levels) > 1:
            at = np.flatnonzero(confidence == level)
        days = crossing(
            np.zeros(len(rate[at])),
            rate[at],
            tolerance[at],
            u_level=u_level[at],
            u_rate=u_rate[at],
            confidence=max(float(level), 0.5),
        )
        expected[at], earliest[at] = days.expected, days.earliest
    return _near(expected), _near(earliest)


def _near(days: Floats) -> Floats:
    return np.where(days <= HORIZON_DAYS, days, np.nan)
