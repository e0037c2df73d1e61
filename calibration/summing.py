"""What small changes since the first calibration come to, what references did taken off."""

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.conformity import p_out
from calibration.metrology.drift import Change
from calibration.metrology.pairing import NONE, Pairs
from calibration.metrology.shared import Common

Floats = NDArray[np.float64]

MOVED = 0.5  # from this probability on, a reference is reported as moved


def own_way(pairs: Pairs, common: Common, since_first: Change, tolerance: Floats) -> Floats:
    """Return how probably each slope has left its tolerance since the first by itself.

    No more than the numbers as measured say; less, where the reference moved in between: that is
    in every later calibration, and nothing of it is the cell's.

    Parameters
    ----------
    pairs, common, since_first
        Of K calibrations.
    tolerance : (K,) array [%]

    Returns
    -------
    (K,) array [1]
    """
    measured = since_first.p_out_slope
    at = np.flatnonzero((common.moved >= MOVED) & (pairs.before != NONE))
    if not len(at):
        return measured
    way, variance = _added(pairs, common, at)
    last = np.searchsorted(at, np.arange(len(measured)), side="right") - 1
    rows = np.flatnonzero((last >= 0) & (at[last] >= pairs.segment_start))
    moved, u_moved = np.exp(way[last[rows]]), np.sqrt(variance[last[rows]])
    slope = ((1.0 + since_first.slope_pct[rows] / 100.0) / moved - 1.0) * 100.0
    u_slope = np.hypot(since_first.u_slope_pct[rows], 100.0 * u_moved)
    found = measured.copy()
    found[rows] = np.minimum(found[rows], p_out(slope, u_slope, tolerance[rows]))
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
