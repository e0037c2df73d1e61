"""The three forms of a likelihood: a predicted place, an effect of unknown size, ageing.

All are log densities of the two deviations (`Deviations.zero`, `Deviations.span`) on the scale of
rated loads, the common change of the day already expected.
"""

import numpy as np

from calibration.metrology import causes
from calibration.metrology.deviations import (
    IMPOSSIBLE,
    Covariance,
    Deviations,
    log_normal,
    log_normal_pair,
    log_sum,
)
from calibration.metrology.padding import FloatArray

Pair = tuple[FloatArray, FloatArray]


def widened(spread: Covariance, loads: Pair, slope: float, zero: float) -> Covariance:
    """Return a covariance with an unknown slope change and zero change added."""
    x0, x1 = loads
    a, b, c = spread
    return (
        a + zero**2 + (slope * x0) ** 2,
        b + zero**2 + slope**2 * x0 * x1,
        c + zero**2 + (slope * x1) ** 2,
    )


def as_expected(seen: Deviations) -> FloatArray:
    """Return the log density of a cell with nothing wrong."""
    spread = seen.covariance(seen.x0, seen.x1)
    zero, span = seen.zero - seen.common * seen.x0, seen.span - seen.common * seen.x1
    return log_normal_pair(zero, span, spread)


def aged(seen: Deviations, zero_sd: float) -> FloatArray:
    """Return the log density of a slope that aged either way, the zero moving by `zero_sd`."""
    loads = seen.x0, seen.x1
    change = seen.common + seen.evidence.optional("drift_slope", 0.0)
    deviation = seen.zero - change * seen.x0, seen.span - change * seen.x1
    wide = widened(seen.covariance(*loads), loads, 0.0, zero_sd)
    log, best, width = _along(deviation, loads, wide)
    return log + histogram(best, width, seen.causes["ageing"].sizes, both_ways=True)


def placed(seen: Deviations, shift: Pair, loads: Pair | None = None) -> FloatArray:
    """Return the log density about a place that a cause predicts.

    Parameters
    ----------
    seen : Deviations
        The evidence, M calibrations.
    shift : pair of ndarray, shape (M,)
        Predicted deviations of zero and span [rated load].
    loads : pair of ndarray, shape (M,), optional
        The loads that really stood there, for the uncertainty [rated load].

    Returns
    -------
    ndarray, shape (M,)
        Log density, the cell having moved a little as well with `causes.ALSO_MOVED`. Shifts and
        loads of shape (P, M) are P places each, and so is the answer.
    """
    x0, x1 = loads or (seen.x0, seen.x1)
    zero = seen.zero - shift[0] - seen.common * x0
    span = seen.span - shift[1] - seen.common * x1
    tight = seen.covariance(x0, x1)
    slope, offset, share = causes.ALSO_MOVED
    return log_sum(
        [
            log_normal_pair(zero, span, tight),
            log_normal_pair(zero, span, widened(tight, (x0, x1), slope, offset)),
        ],
        [1.0 - share, share],
    )


def sized(
    seen: Deviations,
    direction: Pair,
    sizes: causes.Sizes,
    *,
    shift: Pair | None = None,
    both_ways: bool = False,
) -> FloatArray:
    """Return the log density of an effect whose size is known only as a histogram.

    Parameters
    ----------
    seen : Deviations
        The evidence, M calibrations.
    direction : pair of ndarray, shape (M,)
        Deviations of zero and span for an effect of size 1 [rated load].
    sizes : tuple of (from, to, share)
        The histogram, even within a bin.
    shift : pair of ndarray, optional
        Deviations that come on top [rated load].
    both_ways : bool
        The effect may have either sign, with equal right.

    Returns
    -------
    ndarray, shape (M,)
        Log density.
    """
    shift = shift or (np.zeros_like(seen.zero), np.zeros_like(seen.zero))
    loads = seen.x0, seen.x1
    deviation = (
        seen.zero - shift[0] - seen.common * seen.x0,
        seen.span - shift[1] - seen.common * seen.x1,
    )
    tight = seen.covariance(*loads)
    slope, offset, share = causes.ALSO_MOVED
    wide = widened(tight, loads, slope, offset)
    a, b, c = (np.stack(pair) for pair in zip(tight, wide, strict=True))
    log, best, width = _along(deviation, direction, (a, b, c))
    return log_sum(
        [*(log + histogram(best, width, sizes, both_ways=both_ways))], [1.0 - share, share]
    )


def sized_with_others(seen: Deviations, sizes: causes.Sizes) -> FloatArray:
    """Return the log density of a slope change of either sign that the other cells share.

    Their common change is a second measurement of the size; where there are no others, only the
    cell's own readings count. Takes the place of `Deviations.log_common`.
    """
    a, b, c = seen.covariance(seen.x0, seen.x1)
    x0, x1, own = seen.x0, seen.x1, seen.var_common
    spread = a - own * x0**2, b - own * x0 * x1, c - own * x1**2
    log, best, width = _along((seen.zero, seen.span), (x0, x1), spread)
    variance, noise = width**2, seen.common_noise
    both = variance * noise / (variance + noise)
    middle = (best * noise + seen.common_change * variance) / (variance + noise)
    agreement = log_normal(best - seen.common_change, variance + noise)
    there = seen.has_common
    best, width = np.where(there, middle, best), np.sqrt(np.where(there, both, variance))
    return log + np.where(there, agreement, 0.0) + histogram(best, width, sizes, both_ways=True)


def histogram(
    best: FloatArray, width: FloatArray, sizes: causes.Sizes, *, both_ways: bool
) -> FloatArray:
    """Return the log of a histogram of sizes seen through a normal error of this width."""
    whole = np.zeros_like(best)
    for sign in (1.0, -1.0) if both_ways else (1.0,):
        # Neighbouring bins share an edge, and the tail beyond it is the costly part.
        edges = {edge for low, high, _ in sizes for edge in (low, high)}
        tails = {edge: _tail((edge - sign * best) / width) for edge in edges}
        for low, high, share in sizes:
            whole = whole + share / (high - low) * _between(tails[low], tails[high])
    whole = whole * (0.5 if both_ways else 1.0)
    return np.where(whole > 0.0, np.log(np.where(whole > 0.0, whole, 1.0)), IMPOSSIBLE)


def _tail(x: FloatArray) -> Pair:
    """Return standard normal values, and the tail beyond each on its own side of 0."""
    from scipy.special import ndtr

    return x, ndtr(-np.abs(x))


def _between(low: Pair, high: Pair) -> FloatArray:
    """Return the standard normal probability between two values, given with their tails.

    On one side of 0 it is the difference of the tails, which are exact; only where 0 lies between
    is a tail turned over.
    """
    from scipy.special import ndtr

    (a, below), (b, above) = low, high
    inside = np.abs(above - below)
    about = (a <= 0.0) & (b > 0.0)
    inside[about] = ndtr(b[about]) - below[about]
    return inside


def _along(
    deviation: Pair, direction: Pair, spread: Covariance
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return log density off the direction, and the best size along it with its uncertainty.

    ``N2(d; s v, S) = exp(log) N(s; best, width)`` as a function of the size s.
    """
    (d0, d1), (v0, v1), (a, b, c) = deviation, direction, spread
    determinant = a * c - b * b
    strength = (c * v0 * v0 - 2.0 * b * v0 * v1 + a * v1 * v1) / determinant
    match = (c * v0 * d0 - b * (v0 * d1 + v1 * d0) + a * v1 * d1) / determinant
    strength = np.maximum(strength, 1e-12)  # a span load of nothing has no direction
    off = (d0 * v1 - d1 * v0) ** 2 / (determinant * strength)
    width = 1.0 / np.sqrt(strength)
    log = -0.5 * (off + np.log(2.0 * np.pi * determinant)) + np.log(width)
    return log, match / strength, width
