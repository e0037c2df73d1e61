"""One step of the level filter: an update under each kind of jump, merged into one level.

References
----------
.. [1] Y. Bar-Shalom, X. R. Li, T. Kirubarajan, "Estimation with Applications to Tracking and
   Navigation", Wiley 2001, section 11.6.4 (generalised pseudo-Bayesian estimator, first order).
.. [2] The same, section 5.2 (Kalman update; the covariance in Joseph's form).
"""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.padding import FloatArray

Pair = tuple[FloatArray, FloatArray]
Symmetric = tuple[FloatArray, FloatArray, FloatArray]
Jumps = tuple[tuple[float, float, float], ...]

# Jumps of a cell between two calibrations: (standard deviation of relative slope, of zero in
# rated loads, how often). Common practice, no source.
JUMPS: Jumps = ((0.0, 0.0, 0.90), (0.10, 0.0, 0.04), (0.0, 0.10, 0.04), (0.10, 0.10, 0.02))


@dataclass(frozen=True)
class Merged:
    """A level after an update.

    Attributes
    ----------
    mean : pair of ndarray, shape (m,)
        Relative slope [1], zero [rated load].
    spread : triple of ndarray, shape (m,)
        Variance, covariance, variance.
    jump : ndarray, shape (m,)
        Probability that the cell jumped [1].
    log_likelihood : ndarray, shape (m,)
        Log density of what was seen.
    """

    mean: Pair
    spread: Symmetric
    jump: FloatArray
    log_likelihood: FloatArray


def merge_jumps(
    mean: Pair, spread: Symmetric, noise: Symmetric, seen: Pair, jumps: Jumps
) -> Merged:
    """Update a level by what was seen, under each jump hypothesis, and merge the results.

    Parameters
    ----------
    mean, seen : pair of ndarray, shape (m,)
        Relative slope [1] and zero [rated load]: predicted, and seen.
    spread, noise : triple of ndarray, shape (m,)
        Variance, covariance, variance of the prediction and of what was seen.
    jumps : tuple of (slope, zero, share)
        Standard deviations of a jump [1], [rated load], and how often it happens [1].

    Returns
    -------
    Merged

    Notes
    -----
    With P the spread of a branch (its jump in it), R the noise and S = P + R, a branch is the
    Kalman update [2]_: mean ``P S^-1 d``, d what was seen less the prediction, and spread
    ``(P^-1 + R^-1)^-1``, which for two unknowns is ``(|R| P + |P| R) / |S|``: sums of what is not
    negative. Mean and covariance of the mixture are kept [1]_.
    """
    away = seen[0] - mean[0], seen[1] - mean[1]
    log, moves, spreads = _branches(spread, noise, away, jumps)
    top = np.maximum.reduce(log)
    weights = np.exp(log - top)
    weights *= np.array([[share] for _, _, share in jumps])
    whole = _sum(weights)
    weights /= whole
    slope, zero = (_sum(weights * move) for move in moves)
    off = moves[0] - slope, moves[1] - zero
    merged = [
        _sum(weights * (part + off[left] * off[right]))
        for part, (left, right) in zip(spreads, ((0, 0), (0, 1), (1, 1)), strict=True)
    ]
    jumped = [size_slope + size_zero > 0.0 for size_slope, size_zero, _ in jumps]
    return Merged(
        (mean[0] + slope, mean[1] + zero),
        (merged[0], merged[1], merged[2]),
        _sum(weights[jumped]) if any(jumped) else np.zeros_like(slope),
        top + np.log(whole) - np.log(2.0 * np.pi),
    )


def _branches(
    spread: Symmetric, noise: Symmetric, away: Pair, jumps: Jumps
) -> tuple[FloatArray, Pair, Symmetric]:
    """Return log density (but for 2 pi), moves of the level and spreads, one row a jump."""
    a = spread[0] + np.array([[slope**2] for slope, _, _ in jumps])
    c = spread[2] + np.array([[zero**2] for _, zero, _ in jumps])
    b, (ra, rb, rc), (d1, d2) = spread[1], noise, away
    sa, sb, sc = a + ra, b + rb, c + rc
    determinant = sa * sc - sb * sb
    # S^-1 d
    g1, g2 = (sc * d1 - sb * d2) / determinant, (sa * d2 - sb * d1) / determinant
    log = -0.5 * (d1 * g1 + d2 * g2 + np.log(determinant))
    ours = (ra * rc - rb * rb) / determinant
    theirs = np.maximum(a * c - b * b, 0.0) / determinant
    spreads = ours * a + theirs * ra, ours * b + theirs * rb, ours * c + theirs * rc
    return log, (a * g1 + b * g2, b * g1 + c * g2), spreads


def _sum(rows: FloatArray) -> FloatArray:
    """Return the sum over the rows, in order: the same bits for one column and for many."""
    whole: FloatArray = rows[0]
    for row in rows[1:]:
        whole = whole + row
    return whole
