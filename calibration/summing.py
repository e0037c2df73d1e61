"""What small changes since the first calibration come to, what references did taken off."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.conformity import p_out
from calibration.metrology.drift import Change, LineState
from calibration.metrology.pairing import NONE, Pairs
from calibration.metrology.shared import Common

Floats = NDArray[np.float64]

MOVED = 0.5  # from this probability on, a reference is reported as moved


@dataclass(frozen=True)
class Moves:
    """What references moved by since the first of each segment; nothing of it is a cell's.

    Attributes
    ----------
    factor : (K,) array [1]
        1 where none moved.
    variance : (K,) array [1]
        Of its logarithm; 0 where none moved.
    """

    factor: Floats
    variance: Floats

    @classmethod
    def of(cls, pairs: Pairs, common: Common) -> "Moves":
        """Add them up: what a reference moved by is in every later calibration."""
        factor, variance = np.ones(len(pairs.before)), np.zeros(len(pairs.before))
        at = np.flatnonzero((common.moved >= MOVED) & (pairs.before != NONE))
        if len(at):
            way, spread = _added(pairs, common, at)
            last = np.searchsorted(at, np.arange(len(factor)), side="right") - 1
            rows = np.flatnonzero((last >= 0) & (at[last] >= pairs.segment_start))
            factor[rows], variance[rows] = np.exp(way[last[rows]]), spread[last[rows]]
        return cls(factor, variance)

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
class OwnWay:
    """How far each slope has come since the first, by itself as far as that can be told.

    Attributes
    ----------
    slope_pct : (K,) array [%]
    p_out : (K,) array [1]
        How probably it has left its tolerance so.
    moved : (K,) array [1]
        What was taken off as the references'; 1 where nothing was.
    """

    slope_pct: Floats
    p_out: Floats
    moved: Floats


def own_way(moves: Moves, since_first: Change, tolerance: Floats) -> OwnWay:
    """Return how far, and how probably too far, each slope has come since the first by itself.

    No more than the numbers as measured say; less, where the reference moved in between.

    Parameters
    ----------
    moves, since_first
        Of K calibrations.
    tolerance : (K,) array [%]
    """
    found = OwnWay(
        since_first.slope_pct.copy(), since_first.p_out_slope.copy(), np.ones(len(tolerance))
    )
    rows = np.flatnonzero(moves.variance)
    if not len(rows):
        return found
    moved = moves.factor[rows]
    slope = ((1.0 + since_first.slope_pct[rows] / 100.0) / moved - 1.0) * 100.0
    u_slope = np.hypot(since_first.u_slope_pct[rows], 100.0 * np.sqrt(moves.variance[rows]))
    chance = p_out(slope, u_slope, tolerance[rows])
    less = chance <= found.p_out[rows]
    rows = rows[less]
    found.slope_pct[rows], found.p_out[rows] = slope[less], chance[less]
    found.moved[rows] = moved[less]
    return found


def _added(pairs: Pairs, common: Common, at: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Logarithms of the moves up to each of these calibrations of a segment, and variances."""
    way, variance = np.log1p(common.others.change[at]), common.others.variance[at].copy()
    segment = pairs.segment_index[at]
    moves = np.arange(len(at)) - np.searchsorted(segment, segment)  # in its segment, before
    for count in range(1, int(moves.max()) + 1):  # one order of adding, whoever lies beside
        again = np.flatnonzero(moves == count)
        way[again] += way[again - 1]
        variance[again] += variance[again - 1]
    return way, variance
