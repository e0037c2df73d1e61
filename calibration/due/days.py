"""The rule: on which day a sensor is due, and what decided it. Pure, over arrays.

Days are whole numbers since 1970-01-01; `NO_DATE` where there is none.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.calendars import ready_days
from calibration.columns import NO_DATE
from calibration.models import DueState

Ints = NDArray[np.int64]
Codes = NDArray[np.int16]

DECIDED = tuple(str(value) for value in DueState.Decided.values)
NEVER, INTERVAL, CROSSING, SEASON = range(len(DECIDED))
NOTHING = -1  # the code of a sensor that is not due at all


@dataclass(frozen=True)
class Basis:
    """What the due days of N sensors rest on.

    Attributes
    ----------
    installed_on : (N,) array [d]
        First day of the installation in which the sensor sits now; `NO_DATE`: in none.
    calibrated_on : (N,) array [d]
        Day of its last calibration in that installation, in the dealer's zone; `NO_DATE` where
        there is none: numbers from another machine do not count here.
    interval_days : (N,) array [d]
        The policy's interval.
    crossing : (N,) array [d]
        The earliest day on which the tolerance is expected to be crossed, where a trend is known.
    season_start : (N,) array
        The dealer's seeding start, 100 * month + day.
    """

    installed_on: Ints
    calibrated_on: Ints
    interval_days: Ints
    crossing: Ints
    season_start: Ints


def due_days(basis: Basis) -> tuple[Ints, Codes]:
    """Return the earliest of interval, expected crossing and season; on a tie, in that order.

    A crossing that was expected before the calibration is met on the day after it: the
    calibration itself cannot still be due.

    Returns
    -------
    due_on : (N,) array [d]
        `NO_DATE` where the sensor sits in no machine.
    decided_by : (N,) array
        Place in `DECIDED`; -1 where the sensor sits in no machine.
    """
    due_on, decided_by = _never(basis.installed_on)
    calibrated = np.flatnonzero((basis.installed_on != NO_DATE) & (basis.calibrated_on != NO_DATE))
    last, crossing = basis.calibrated_on[calibrated], basis.crossing[calibrated]
    day, why = last + basis.interval_days[calibrated], np.full(len(last), INTERVAL)
    for code, candidate, known in (
        (CROSSING, np.maximum(crossing, last + 1), crossing != NO_DATE),
        (SEASON, ready_days(last, basis.season_start[calibrated]), True),
    ):
        sooner = known & (candidate < day)
        day, why = np.where(sooner, candidate, day), np.where(sooner, code, why)
    due_on[calibrated], decided_by[calibrated] = day, why
    return due_on, decided_by


def _never(installed_on: Ints) -> tuple[Ints, Codes]:
    """What holds for a sensor that was never calibrated where it sits."""
    decided_by = np.where(installed_on == NO_DATE, NOTHING, NEVER)
    return installed_on.astype(np.int64), decided_by.astype(np.int16)
