"""Weighs a case: what was expected, levels and causes. No reading, no writing."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import expecting, suspecting
from calibration.cases import Case, Limits
from calibration.company import Siblings
from calibration.expecting import Fleet, Steps, Together
from calibration.metrology import pairing
from calibration.metrology.conformity import en_number, p_out
from calibration.metrology.drift import Change
from calibration.metrology.expectation import Expectation
from calibration.metrology.pairing import Pairs
from calibration.suspecting import Neighbours

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Causes = dict[int, list[dict[str, Any]]]

WITHIN, WATCH, BEYOND = 0, 1, 2
MOVED = 0.5  # from this probability on, a reference is reported as moved
FIRST_LIMIT = 2.5  # |E_n| from which a first calibration does not fit its tag
SLOW = 0.8  # probability from which the sum of small changes since the first is worth watching
_PASSES = 4  # each finds at most one calibration of a segment that is not to be believed


@dataclass(frozen=True)
class Outlook:
    """What was expected of each calibration of a case, and how it compares.

    Attributes
    ----------
    expectation : Expectation
    expected_change : Change
        Against the level before, the common change taken off; NaN where nothing was expected.
    slope_level, offset_level : (K,) arrays
        0 within, 1 watch, 2 beyond.
    moved : (K,) array of bool
        Made with a reference that had moved, by so much that the numbers are not to be used.
    trusted : (K,) array of bool
    """

    expectation: Expectation
    expected_change: Change
    slope_level: Ints
    offset_level: Ints
    moved: Bools
    trusted: Bools

    @property
    def level(self) -> Ints:
        """The level of the verdict."""
        line = np.maximum(self.slope_level, self.offset_level)
        return np.asarray(np.where(self.moved, np.maximum(line, WATCH), line))


@dataclass(frozen=True)
class Weighed:
    """A case with all that follows from it."""

    case: Case
    steps: Steps
    shared: Together
    outlook: Outlook
    index: Ints
    chances: Floats

    def causes_of(self, which):
        mine = np.isin(self.index, which)
        return suspecting.ranked_causes(self.index[mine], self.chances[mine])


def look(case: Case, fleet: Fleet, siblings: Siblings) -> tuple[Steps, Together, Outlook]:
    """Return what was expected of a case, given what its siblings did."""
    steps = expecting.steps_of(case.history, case.state, case.pairs, fleet.noise)
    shared = expecting.together(case.history, case.pairs, steps, siblings)
    believed = np.ones(len(case.history), dtype=bool)
    return steps, shared, _outlook(case, fleet, shared, believed)


def weigh(
    case: Case, fleet: Fleet, found: tuple[Steps, Together, Outlook], neighbours: Neighbours
) -> Weighed:
    """Find out which calibrations are not to be believed, and what probably went wrong.

    One calibration of a segment at a time is set aside, the earliest first, and the rest judged
    anew: after a wrong one the next looks wrong as well. What the following calibration confirms
    is believed.
    """
    steps, shared, outlook = found
    neighbours = __import__("calibration.company", fromlist=["as_mapping"]).as_mapping(neighbours)
    scene = suspecting.Scene(case.history, case.pairs, case.lines, case.keep, shared, neighbours)
    confirmed, index, chances = (
        case.confirmed(),
        np.zeros(0, dtype=np.int64),
        np.zeros((0, len(suspecting.CAUSES))),
    )
    for number in range(_PASSES):
        index = np.flatnonzero((outlook.level > WITHIN) & outlook.expectation.known)
        chances = suspecting.probabilities(scene, outlook.expectation, index)
        wrong = index[suspecting.to_repeat(chances)]
        wrong = wrong[outlook.trusted[wrong] & ~confirmed[wrong]]
        if not len(wrong) or number == _PASSES - 1:
            break
        _, first = np.unique(case.pairs.segment_index[wrong], return_index=True)
        trusted = outlook.trusted.copy()
        trusted[wrong[first]] = False
        outlook = _outlook(case, fleet, shared, trusted)
    return Weighed(case, steps, shared, outlook, index, chances)


def _outlook(case: Case, fleet: Fleet, shared: Together, trusted: Bools) -> Outlook:
    expectation = expecting.expected(
        case.history, case.state, case.pairs, fleet, shared.common, trusted
    )
    change = _expected_change(expectation, case.limits)
    first = case.pairs.before == pairing.NONE
    believed_first = trusted[case.pairs.segment_start]
    levels = []
    for p_now, p_first, en in (
        (change.p_out_slope, case.since_first.p_out_slope, change.en_slope),
        (change.p_out_offset, case.since_first.p_out_offset, change.en_offset),
    ):
        level = np.where(p_now >= case.limits.flag, BEYOND, WITHIN)
        flagged = _earlier(level == BEYOND, case.pairs)
        slow = (p_first >= SLOW) & believed_first & ~flagged
        watch = (p_now >= case.limits.watch) | slow
        level = np.maximum(level, np.where(watch, WATCH, WITHIN))
        strange = np.where(np.abs(np.nan_to_num(en)) > FIRST_LIMIT, WATCH, WITHIN)
        levels.append(np.where(first, strange, level))
    common = shared.common
    moved = (common.moved >= MOVED) & (100.0 * np.abs(common.change) > case.limits.slope_pct / 2)
    return Outlook(expectation, change, levels[0], levels[1], moved, trusted)


def _earlier(there: Bools, pairs: Pairs) -> Bools:
    """Where it was so before, in the same segment."""
    index = np.arange(len(there))
    last = np.maximum.accumulate(np.where(there, index, -1))
    before = np.concatenate(([-1], last[:-1])) if len(last) else last
    return np.asarray(before >= pairs.segment_start)


def _expected_change(expectation: Expectation, limits: Limits) -> Change:
    slope, u_slope = expectation.change_slope_pct, expectation.u_change_slope_pct
    offset, u_offset = expectation.change_offset, expectation.u_change_offset
    found = Change(
        slope_pct=slope,
        u_slope_pct=u_slope,
        offset=offset,
        u_offset=u_offset,
        en_slope=en_number(slope, u_slope),
        en_offset=en_number(offset, u_offset),
        p_out_slope=p_out(slope, u_slope, limits.slope_pct),
        p_out_offset=p_out(offset, u_offset, limits.offset),
    )
    return Change(**{k: np.where(expectation.known, v, np.nan) for k, v in vars(found).items()})
