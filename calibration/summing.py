"""What small changes since the first calibration come to, what references did taken off."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.conformity import p_out
from calibration.metrology.drift import Change
from calibration.moving import Moves

Floats = NDArray[np.float64]


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
