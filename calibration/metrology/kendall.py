"""Kendall's S and K of points without a trend: how far chance alone takes them.

References
----------
.. [1] P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", Journal of the
   American Statistical Association 63 (1968) 1379-1389, section 5 (with ties in time).
.. [2] M. Hollander, D. A. Wolfe, "Nonparametric Statistical Methods", Wiley 1973, section 9.3
   (the exact distribution of Kendall's K).
"""

from functools import lru_cache

import numpy as np

from calibration.metrology.padding import FloatArray, IntArray, total
from calibration.metrology.pair_slopes import Table

# Up to this many points the exact distribution of Kendall's K is used, beyond it the normal one.
EXACT_UP_TO = 30


def ties(table: Table, points: IntArray, pairs: IntArray) -> FloatArray:
    """Return the sum of g(g-1)(2g+5) over the groups of ties, each member adding its share."""
    tied = np.zeros(len(points))
    # Every point has a slope with every other, or some are tied.
    rows = np.flatnonzero(pairs < points * (points - 1) // 2)
    t, used = table[0][:, rows], table[2][:, rows]
    group = ((t[:, None, :] == t[None, :, :]) & used[None, :, :]).sum(axis=1)
    share = (group - 1.0) * (2.0 * group + 5.0)
    tied[rows] = total(np.where(used, share, 0.0).T)
    return tied


def sd_of_s(points: IntArray, ties: FloatArray) -> FloatArray:
    """Return the standard deviation of Kendall's S with this many points and ties in time."""
    n = points.astype(np.float64)
    return np.sqrt(np.maximum(n * (n - 1.0) * (2.0 * n + 5.0) - ties, 0.0) / 18.0)


def cut_exact(points: IntArray, confidence: float) -> IntArray:
    """Return M of the exact distribution for each number of points; above the table, its last."""
    table = np.array([_exact_cut(n, confidence) for n in range(EXACT_UP_TO + 1)], dtype=np.int64)
    return table[np.minimum(points, EXACT_UP_TO)]


@lru_cache(maxsize=1024)
def _exact_cut(n: int, confidence: float) -> int:
    """Return M from the exact distribution of the number of inversions of n points."""
    share = np.ones(1)
    for size in range(2, n + 1):
        share = np.convolve(share, np.full(size, 1.0 / size))
    # The small allowance keeps a confidence that is exactly attainable, like 1 - 2/120.
    return int((np.cumsum(share) <= 0.5 * (1.0 - confidence) + 1e-12).sum())
