"""The rule: on which day a sensor is due, and what decided it. Pure, over arrays.

Four days compete, and the earliest decides: the end of the policy's interval; the end of the
interval after which the sensors of its model keep the policy's target reliability, at its lower
confidence bound; the day from which the sensor's own trend may take it out of tolerance with more
than the chance that the target leaves; the last working day before the next season.

Days are whole numbers since 1970-01-01; `NO_DATE` where there is none.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.calendars import SeasonCalendar, ready_days
from calibration.columns import NO_DATE
from calibration.models import DueState

Ints = NDArray[np.int64]
Codes = NDArray[np.int16]

DECIDED = tuple(str(value) for value in DueState.Decided.values)
NEVER, INTERVAL, RELIABILITY, CROSSING, SEASON = range(len(DECIDED))
NOTHING = -1  # the code of a sensor that is not due at all
SHORTEST_DAYS = 30  # no model's record makes us drive out more often; our choice


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
    model_days : (N,) array [d]
        What the model's record makes of that interval; 0 where it says nothing.
    crossing : (N,) array [d]
        The earliest day on which the tolerance is expected to be crossed, where a trend is known.
    calendar : (N,) array
        Place of the dealer's calendar in `calendars`.
    calendars
        Seeding starts and working days.
    """

    installed_on: Ints
    calibrated_on: Ints
    interval_days: Ints
    model_days: Ints
    crossing: Ints
    calendar: Ints
    calendars: Sequence[SeasonCalendar]

    @property
    def calibrated(self) -> NDArray[np.intp]:
        """Those that were calibrated where they sit."""
        there = (self.installed_on != NO_DATE) & (self.calibrated_on != NO_DATE)
        return np.flatnonzero(there)


def due_days(basis: Basis) -> tuple[Ints, Codes]:
    """Return the earliest of interval, crossing and season; on a tie, in the order of `DECIDED`.

    Returns
    -------
    due_on : (N,) array [d]
        `NO_DATE` where the sensor sits in no machine.
    decided_by : (N,) array
        Place in `DECIDED`; -1 where the sensor sits in no machine.
    """
    due_on, decided_by = _never(basis.installed_on)
    calibrated = basis.calibrated
    offered = candidates(basis)
    day, why = offered[INTERVAL][calibrated], np.full(len(calibrated), INTERVAL)
    if len(calibrated):
        by_model = offered[RELIABILITY][calibrated]
        # A model's record takes the place of the policy's interval, also where it lengthens it.
        speaks = (by_model != NO_DATE) & (by_model != day)
        day, why = np.where(speaks, by_model, day), np.where(speaks, RELIABILITY, why)
        for code in (CROSSING, SEASON):
            candidate = offered[code][calibrated]
            sooner = (candidate != NO_DATE) & (candidate < day)
            day, why = np.where(sooner, candidate, day), np.where(sooner, code, why)
    due_on[calibrated], decided_by[calibrated] = day, why
    return due_on, decided_by


def candidates(basis: Basis) -> dict[int, Ints]:
    """Return the day that each reason would make a sensor due on, (N,) each, by its code.

    `NO_DATE` where a reason does not apply. A crossing that was expected before the calibration
    is met on the day after it: the calibration itself cannot still be due.
    """
    calibrated = basis.calibrated
    last, crossing = basis.calibrated_on[calibrated], basis.crossing[calibrated]
    by_model = basis.model_days[calibrated]
    offered = {
        INTERVAL: last + basis.interval_days[calibrated],
        RELIABILITY: np.where(by_model > 0, last + by_model, NO_DATE),
        CROSSING: np.where(crossing != NO_DATE, np.maximum(crossing, last + 1), NO_DATE),
        SEASON: ready_days(last, basis.calendar[calibrated], basis.calendars),
    }
    found = {}
    for code, day in offered.items():
        found[code] = np.full(len(basis.installed_on), NO_DATE, dtype=np.int64)
        found[code][calibrated] = day
    return found


def model_days(
    lower: float | None, *, longest_seen: float, default_days: int, longest_days: int | None
) -> int:
    """Return what a model's record makes of a policy's interval [d]; 0 where it says nothing.

    Parameters
    ----------
    lower : float [d] or None
        Lower confidence bound of the time for which the target reliability holds.
    longest_seen : float [d]
        The longest time after which anybody looked; nothing is lengthened beyond it.
    default_days, longest_days : int [d]
        The policy's interval, and how far it may be lengthened (None: not at all).
    """
    if lower is None:
        return 0
    days = max(int(lower), min(SHORTEST_DAYS, default_days))
    if days <= default_days:
        return days
    return max(default_days, int(min(days, longest_days or default_days, longest_seen)))


def _never(installed_on: Ints) -> tuple[Ints, Codes]:
    """What holds for a sensor that was never calibrated where it sits."""
    decided_by = np.where(installed_on == NO_DATE, NOTHING, NEVER)
    return installed_on.astype(np.int64), decided_by.astype(np.int16)
