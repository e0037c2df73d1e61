"""Which calibrations were left after an adjustment: they begin anew, and are no drift."""

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import MINUTES, VISIT, History
from calibration.metrology import pairing
from calibration.metrology.causes import FLOOR
from calibration.metrology.drift import LineState
from calibration.metrology.pairing import NONE, Pairs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# No adjustment of a cell changes its slope by half; a slip may. Common practice, no source.
_MOST = 1.5
_COVERS = 2.0  # standard uncertainties; JCGM 100:2008, 6.3.3


def pairs_of(history: History, state: LineState) -> Pairs:
    """Pair K calibrations with those before them; what was left adjusted begins a segment."""
    keys = history.sensor, history.season, history.installation
    pairs = pairing.pair(*keys, history.starts_segment)
    new = adjusted(pairs, state, history)
    return pairing.pair(*keys, history.starts_segment | new) if new.any() else pairs


def adjusted(pairs: Pairs, state: LineState, history: History) -> Bools:
    """Return which calibrations show that the cell was adjusted on the visit.

    Left so, on the visit on which it was found otherwise before: slope or offset differs by more
    than its expanded uncertainty and what sound cells do, by less than half of the slope, and what
    differs is nearer to the numbers of the visit before than it was found. Of a cell that was
    never calibrated here before, nobody knows what is nearer: it counts where the one before was
    as found. Anything else is judged as it stands, so that a slip of the pen is seen.

    Parameters
    ----------
    pairs, state, history
        Of K calibrations.

    Returns
    -------
    (K,) array of bool
    """
    minute = history.minute
    found = np.zeros(len(minute), dtype=bool)
    left = np.flatnonzero(~history.as_found & (pairs.before != NONE))
    left = left[minute[left] - minute[pairs.before[left]] < VISIT]
    if not len(left):
        return found
    before = pairs.before[left]
    order = pairs.segment_index * MINUTES + minute
    # Reckoned back from itself, so that a visit is as long as everywhere.
    earlier = np.searchsorted(order, order[left] - VISIT, side="right") - 1
    known = (earlier >= 0) & (pairs.segment_index[earlier] == pairs.segment_index[left])
    differs = _differ(state, left, before, history.rated_load[left])
    nearer = _nearer(state, left, before, earlier)
    ratio = state.slope[left] / state.slope[before]
    small = (ratio < _MOST) & (ratio > 1.0 / _MOST)
    fits = np.where(known, (nearer | ~differs).all(axis=0), history.as_found[before])
    found[left] = differs.any(axis=0) & small & fits
    return found


def _differ(state: LineState, left: Ints, before: Ints, rated: Floats) -> Bools:
    """Whether slope and offset differ by more than their expanded uncertainties, (2, n)."""
    unit = np.abs(state.slope[before])
    return np.stack(
        [
            np.abs(value[left] - value[before])
            > _COVERS * np.sqrt(u[left] ** 2 + u[before] ** 2 + healthy**2)
            for value, u, healthy in (
                (state.slope, state.u_slope, FLOOR[0] * unit),
                (state.offset, state.u_offset, FLOOR[1] * unit * rated),
            )
        ]
    )


def _nearer(state: LineState, left: Ints, before: Ints, earlier: Ints) -> Bools:
    """Whether slope and offset are nearer to those of an earlier visit than before, (2, n)."""
    return np.stack(
        [
            np.abs(value[left] - value[earlier]) < np.abs(value[before] - value[earlier])
            for value in (state.slope, state.offset)
        ]
    )
