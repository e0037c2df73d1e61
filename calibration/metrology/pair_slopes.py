"""Slopes between all pairs of points of many sensors, in order, and what is picked from them."""

import numpy as np

from calibration.metrology.padding import BoolArray, FloatArray, IntArray

# Times, values, and which of them are used: one row a season, so that a season lies in one piece.
Table = tuple[FloatArray, FloatArray, BoolArray]


def slopes(table: Table) -> tuple[FloatArray, IntArray, IntArray]:
    """Return the slopes of all pairs in order, inf where there is none, and how many there are.

    The counts of points and pairs have one item for all sensors where all have the same.
    """
    t, y, used = table
    step, rise = _differences(t), _differences(y)
    usable = step != 0.0
    if used.all() and usable.all():
        slopes = np.divide(rise, step, out=rise)
        points, pairs = np.array([len(t)]), np.array([len(step)])
    else:
        usable &= np.concatenate([used[:0], *(used[d:] & used[:-d] for d in range(1, len(t)))])
        slopes = np.where(usable, rise, np.inf) / np.where(usable, step, 1.0)
        points, pairs = used.sum(axis=0), usable.sum(axis=0)
    slopes.sort(axis=0)
    return slopes, points, pairs


def _differences(values: FloatArray) -> FloatArray:
    """Return later less earlier of every pair of rows, shape (k (k-1) / 2, N)."""
    apart = range(1, len(values))
    return np.concatenate([values[:0], *(values[d:] - values[:-d] for d in apart)])


def pick(ordered: FloatArray, index: IntArray) -> FloatArray:
    """Return one value of each column; the index is held inside it."""
    if len(ordered) == 0:
        return np.zeros(ordered.shape[1])
    inside = np.clip(index, 0, len(ordered) - 1)
    if len(inside) == 1:
        return np.asarray(ordered[inside[0]])
    return np.asarray(np.take_along_axis(ordered, inside[None, :], axis=0)[0])


def median(ordered: FloatArray, count: IntArray) -> FloatArray:
    """Return the median of the first `count` of each column, the mean of two where it is even."""
    low, high = pick(ordered, (count - 1) // 2), pick(ordered, count // 2)
    return np.where(low == high, low, 0.5 * low + 0.5 * high)
