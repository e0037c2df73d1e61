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


@dataclass(frozen=True)
class _Branch:
    log: FloatArray
    mean: Pair
    spread: Symmetric


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
    Each branch is a Kalman update [2]_; mean and covariance of their mixture are kept [1]_.
    """
    branches = [_updated(mean, spread, noise, seen, jump) for jump in jumps]
    top = np.maximum.reduce([branch.log for branch in branches])
    weights = [
        share * np.exp(branch.log - top)
        for (_, _, share), branch in zip(jumps, branches, strict=True)
    ]
    whole = _sum(weights)
    weights = [weight / whole for weight in weights]
    slope, zero = (
        _sum([w * branch.mean[part] for w, branch in zip(weights, branches, strict=True)])
        for part in (0, 1)
    )
    away = [(branch.mean[0] - slope, branch.mean[1] - zero) for branch in branches]
    merged = [
        _sum(
            [
                w * (branch.spread[part] + off[left] * off[right])
                for w, branch, off in zip(weights, branches, away, strict=True)
            ]
        )
        for part, (left, right) in enumerate(((0, 0), (0, 1), (1, 1)))
    ]
    jumped = [
        np.where(size_slope + size_zero > 0.0, w, 0.0)
        for w, (size_slope, size_zero, _) in zip(weights, jumps, strict=True)
    ]
    return Merged(
        (slope, zero), (merged[0], merged[1], merged[2]), _sum(jumped), top + np.log(whole)
    )


def _updated(
    mean: Pair,
    spread: Symmetric,
    noise: Symmetric,
    seen: Pair,
    jump: tuple[float, float, float],
) -> _Branch:
    """Return the level after an update with one kind of jump."""
    a, b, c = spread[0] + jump[0] ** 2, spread[1], spread[2] + jump[1] ** 2
    ra, rb, rc = noise
    sa, sb, sc = a + ra, b + rb, c + rc
    determinant = sa * sc - sb * sb
    # The gain K = P S^-1, row by row.
    k11, k12 = (a * sc - b * sb) / determinant, (b * sa - a * sb) / determinant
    k21, k22 = (b * sc - c * sb) / determinant, (c * sa - b * sb) / determinant
    d1, d2 = seen[0] - mean[0], seen[1] - mean[1]
    square = (sc * d1 * d1 - 2.0 * sb * d1 * d2 + sa * d2 * d2) / determinant
    log = -0.5 * (square + np.log(determinant)) - np.log(2.0 * np.pi)
    # Joseph's form (I-K) P (I-K)' + K R K' stays positive whatever the rounding.
    i11, i22 = 1.0 - k11, 1.0 - k22
    first = i11 * i11 * a - 2.0 * i11 * k12 * b + k12 * k12 * c
    cross = -i11 * k21 * a + (i11 * i22 + k12 * k21) * b - k12 * i22 * c
    last = k21 * k21 * a - 2.0 * k21 * i22 * b + i22 * i22 * c
    first = first + k11 * k11 * ra + 2.0 * k11 * k12 * rb + k12 * k12 * rc
    cross = cross + k11 * k21 * ra + (k11 * k22 + k12 * k21) * rb + k12 * k22 * rc
    last = last + k21 * k21 * ra + 2.0 * k21 * k22 * rb + k22 * k22 * rc
    updated = mean[0] + k11 * d1 + k12 * d2, mean[1] + k21 * d1 + k22 * d2
    return _Branch(log, updated, (first, cross, last))


def _sum(parts: list[FloatArray]) -> FloatArray:
    whole = parts[0]
    for part in parts[1:]:
        whole = whole + part
    return whole
