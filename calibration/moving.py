"""What references moved by over a segment's life: for good, or until one in use had not moved."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.drift import LineState
from calibration.metrology.mixtures import CELLS, Mixture
from calibration.metrology.pairing import NONE, Pairs
from calibration.metrology.series import Shared
from calibration.metrology.shared import Common

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOVED = 0.5  # from this probability on, a reference is reported as moved
# From this probability on, a calibration is taken to be free of what a reference moved by before.
RETURNED = 0.8


@dataclass(frozen=True)
class Moves:
    """What references moved by since the first of each segment; nothing of it is a cell's.

    Attributes
    ----------
    factor : (K,) array [1]
        1 where none moved, or where it is over.
    variance : (K,) array [1]
        Of its logarithm; 0 where none moved.
    returned : (K,) array [1]
        By how much the calibration before was off, where this one is so no more; NaN elsewhere.
    """

    factor: Floats
    variance: Floats
    returned: Floats

    @classmethod
    def none(cls, count: int) -> "Moves":
        """Return those of calibrations whose references never moved."""
        return cls(np.ones(count), np.zeros(count), np.full(count, np.nan))

    def taken_off(self, state: LineState) -> LineState:
        """Return the slopes as they would be had no reference moved."""
        rows = np.flatnonzero(self.variance)
        if not len(rows):
            return state
        slope, u_slope = state.slope.copy(), state.u_slope.copy()
        slope[rows] /= self.factor[rows]
        u_slope[rows] = np.hypot(
            u_slope[rows] / self.factor[rows], slope[rows] * np.sqrt(self.variance[rows])
        )
        return replace(state, slope=slope, u_slope=u_slope)


@dataclass(frozen=True)
class _Steps:
    """Steps of K calibrations as `expecting.Steps` has them, and what is far for a slope [%]."""

    step: Floats
    u_step: Floats
    far: Floats


def followed(
    pairs: Pairs, step: Floats, u_step: Floats, common: Common, tolerance: Floats
) -> tuple[Shared, Moves]:
    """Follow what references moved by through each segment, until it is over.

    A move stays in the numbers as long as the reference is off. When it was mended, or another
    one is used, the cell steps back; that is no drift. One calibration tells so by itself: it is
    taken to have come back where it fits the numbers without the move far better than those with
    it (both as likely beforehand, a cell that drifted thought of in both). Moves of less than half
    a tolerance are not asked about.

    Parameters
    ----------
    pairs : Pairs
        Of K calibrations.
    step, u_step : (K,) arrays [1]
        See `expecting.Steps`.
    common : Common
        What the days have in common.
    tolerance : (K,) array [%]
        Of the slope.

    Returns
    -------
    Shared, Moves
        What is to be taken off each calibration against the level before, a return included.
    """
    shared, moves = common.others, Moves.none(len(step))
    at = np.flatnonzero((common.moved >= MOVED) & (pairs.before != NONE))
    if not len(at):
        return shared, moves
    segments, whose, order = _from_first_on(pairs, at)
    shared = Shared(shared.change.copy(), shared.variance.copy())
    way, spread = np.zeros(len(segments)), np.zeros(len(segments))
    steps = _Steps(step, u_step, tolerance / 200.0)
    for rows, who in zip(order, whose, strict=True):
        _follow(rows, who, (way, spread), steps, common, shared, moves)
    return shared, moves


def _from_first_on(pairs: Pairs, at: Ints) -> tuple[Ints, list[Ints], list[Ints]]:
    """The segments of these rows, and their rows: all second ones, all third ones and so on.

    Returns
    -------
    segments, which of them each row is of, rows
    """
    segments = np.unique(pairs.segment_index[at])
    touched = np.zeros(int(pairs.segment_index[-1]) + 1, dtype=bool)
    touched[segments] = True
    rows = np.flatnonzero(touched[pairs.segment_index] & (pairs.before != NONE))
    place = rows - pairs.segment_start[rows]
    rows = rows[np.argsort(place, kind="stable")]
    parts = np.split(rows, np.cumsum(np.bincount(place)[1:])[:-1])
    return segments, [np.searchsorted(segments, pairs.segment_index[one]) for one in parts], parts


def _follow(
    rows: Ints,
    who: Ints,
    state: tuple[Floats, Floats],
    steps: _Steps,
    common: Common,
    shared: Shared,
    moves: Moves,
) -> None:
    """Take in one calibration of each of these segments; writes into state, shared and moves."""
    way, spread = (values[who] for values in state)
    change, variance = common.others.change[rows], common.others.variance[rows]
    left, far = np.expm1(way), steps.far[rows]
    off = np.abs(left) > far
    back = (1.0 + change) / (1.0 + left) - 1.0
    own = steps.u_step[rows] ** 2 + variance
    stays = Mixture(own, CELLS).density((steps.step[rows] - change) ** 2)
    comes = Mixture(own + spread, CELLS).density((steps.step[rows] - back) ** 2)
    alone = off & (comes / (comes + stays) >= RETURNED)
    shared.change[rows] = np.where(alone, back, change)
    shared.variance[rows] = np.where(alone, variance + spread, variance)
    moved = common.moved[rows] >= MOVED
    way = np.where(moved, np.log1p(change), 0.0) + np.where(alone, 0.0, way)
    spread = np.where(moved, variance, 0.0) + np.where(alone, 0.0, spread)
    over = off & (np.abs(np.expm1(way)) <= far)
    state[0][who], state[1][who] = way, spread
    moves.factor[rows], moves.variance[rows] = np.exp(way), spread
    moves.returned[rows] = np.where(over, left, np.nan)
