"""Drift rate over seasons: the Theil-Sen estimate and its distribution-free interval.

References
----------
.. [1] P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", Journal of the
   American Statistical Association 63 (1968) 1379-1389, sections 3 (estimate), 5 (interval; with
   ties in time) and 6 (efficiency).
.. [2] M. Hollander, D. A. Wolfe, "Nonparametric Statistical Methods", Wiley 1973, section 9.3
   (distribution-free interval for the slope, from the exact distribution of Kendall's K).
.. [3] US EPA, "Statistical Analysis of Groundwater Monitoring Data at RCRA Facilities, Unified
   Guidance", EPA 530/R-09-007 (2009), chapter 17.3.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from calibration.metrology.padding import (
    BoolArray,
    FloatArray,
    IntArray,
    floats,
    normal_quantile,
    total,
)

# Up to this many points the exact distribution of Kendall's K is used, beyond it the normal one.
EXACT_UP_TO = 30


@dataclass(frozen=True)
class Trend:
    """Theil-Sen rates of N sensors.

    Attributes
    ----------
    rate, rate_low, rate_high : ndarray, shape (N,)
        Median slope and its confidence limits [unit of y / day]; -inf and inf where there is no
        limit at that confidence; 0 where no rate is known.
    u_rate : ndarray, shape (N,)
        Standard uncertainty that goes with the interval [unit of y / day]; inf without limits.
    level, u_level : ndarray, shape (N,)
        Level at the last time by the whole line, and its standard uncertainty [unit of y]; the
        median of y and inf where no rate is known or it has no limits.
    covariance : ndarray, shape (N,)
        Of level and rate: a rate too high makes the last level too high [unit of y ^2 / day].
    known : ndarray of bool, shape (N,)
        Two calibrations at different times are there.
    bounded : ndarray of bool, shape (N,)
        The interval has both limits.
    points, pairs : ndarray of int, shape (N,)
        Calibrations, and pairs of them at different times.
    confidence : float
        Two-sided confidence of the interval [1].
    """

    rate: FloatArray
    rate_low: FloatArray
    rate_high: FloatArray
    u_rate: FloatArray
    level: FloatArray
    u_level: FloatArray
    covariance: FloatArray
    known: BoolArray
    bounded: BoolArray
    points: IntArray
    pairs: IntArray
    confidence: float


def theil_sen(
    t: object,
    y: object,
    mask: object = None,
    *,
    u: object = None,
    confidence: float = 0.95,
    exact: bool = True,
) -> Trend:
    """Return the median of all pairwise slopes with its distribution-free confidence interval.

    Parameters
    ----------
    t : array_like, shape (N, k)
        Times [day], in any order; two on one day are allowed.
    y : array_like, shape (N, k)
        What drifts, for instance the slope in % of the first one [any unit].
    mask : array_like of bool, shape (N, k), optional
        True where there is a calibration; what lies elsewhere is not looked at.
    u : array_like, broadcast to (N, k), optional
        Standard uncertainty of each y [unit of y]. With it, a sensor with too few calibrations
        for a distribution-free interval gets one from its uncertainties.
    confidence : float
        Two-sided confidence of the interval [1].
    exact : bool
        False for the large-sample interval of [1]_ at any number of points.

    Returns
    -------
    Trend

    Raises
    ------
    ValueError
        If shapes do not agree, a used value is not finite, or the confidence is not in (0, 1).

    Notes
    -----
    Pairs at the same time have no slope and are left out [1]_ section 5; the variance of
    Kendall's S is then ``(n(n-1)(2n+5) - sum(g(g-1)(2g+5))) / 18`` over the groups of g ties.
    The interval runs from the M-th smallest to the M-th largest slope, M the greatest number
    with ``P(K <= M-1) <= (1-confidence)/2``: exactly [2]_ without ties and up to 30 points, else
    ``M = floor((pairs - z sqrt(var S)) / 2)``. The sources leave the rounding open; rounding down
    keeps the confidence. Five points are the fewest that bound a 95 % interval.

    Where that gives no limit and u is given: ``rate -+ z u(rate)``,
    ``u(rate)^2 = (pi/3) / sum(w (t - tbar)^2)``, w = 1/u^2, which is the least-squares
    uncertainty over the efficiency of the estimate for normal errors [1]_ section 6. It takes the
    errors as independent and leaves out what the sensor itself does from season to season.

    Level: ``median(y - rate t) + rate t_last``. With D from the mean to the last time and
    ``S = sum((t - tbar)^2)``: ``u(level)^2 = 1.5 u(rate)^2 S / n + u(rate)^2 D^2``, the first term
    the median's (pi/2 over n) with the scatter that u(rate) implies; ``cov = u(rate)^2 D``.
    u(rate) is half the interval over the normal quantile that M stands for, with continuity
    correction ``(pairs - 2M + 1) / sqrt(var S)``: few points attain more than is asked.
    """
    t, y, mask = _checked(t, y, mask)
    z = normal_quantile(0.5 + 0.5 * confidence)
    first, second = np.triu_indices(t.shape[1], 1)
    step = t[:, second] - t[:, first]
    usable = mask[:, second] & mask[:, first] & (step != 0.0)
    slopes = np.where(usable, y[:, second] - y[:, first], np.inf)
    slopes = np.sort(slopes / np.where(usable, step, 1.0), axis=1)
    pairs = usable.sum(axis=1)
    points = mask.sum(axis=1)
    known = pairs > 0
    rate = np.where(known, _median(slopes, pairs), 0.0)
    ties = _ties(t, mask)
    sd = _sd_of_s(points, ties)
    cut = np.floor((pairs - z * sd) / 2.0).astype(np.int64)
    if exact:
        cut = np.where(
            (ties == 0.0) & (points <= EXACT_UP_TO), _cut_exact(points, confidence), cut
        )
    low = np.where(cut > 0, _pick(slopes, cut - 1), -np.inf)
    high = np.where(cut > 0, _pick(slopes, pairs - cut), np.inf)
    attained = (pairs - 2.0 * cut + 1.0) / np.where(sd > 0.0, sd, 1.0)
    u_rate = np.where(cut > 0, (high - low) / (2.0 * np.where(cut > 0, attained, 1.0)), np.inf)
    if u is not None:
        stated = _stated_uncertainty(t, floats("u", u, t.shape), mask)
        instead = known & (cut <= 0)
        u_rate = np.where(instead, stated, u_rate)
        low = np.where(instead, rate - z * stated, low)
        high = np.where(instead, rate + z * stated, high)
    bounded = np.isfinite(low) & np.isfinite(high)
    level = _level(t, y, mask, rate, np.where(bounded, u_rate, np.inf))
    return Trend(rate, low, high, u_rate, *level, known, bounded, points, pairs, confidence)


def _checked(t: object, y: object, mask: object) -> tuple[FloatArray, FloatArray, BoolArray]:
    t = floats("t", t)
    if t.ndim != 2:
        message = f"t: shape {t.shape} is not (sensors, seasons)"
        raise ValueError(message)
    y = floats("y", y, t.shape)
    used = np.ones(t.shape, dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
    if used.shape != t.shape:
        message = f"mask: shape {used.shape} does not fit {t.shape}"
        raise ValueError(message)
    for name, values in (("t", t), ("y", y)):
        if not np.isfinite(values[used]).all():
            message = f"{name}: a value that is used is not finite"
            raise ValueError(message)
    return np.where(used, t, 0.0), np.where(used, y, 0.0), used


def _pick(ordered: FloatArray, index: IntArray) -> FloatArray:
    """Return one value of each row; the index is held inside the row."""
    if ordered.shape[1] == 0:
        return np.zeros(ordered.shape[0])
    inside = np.clip(index, 0, ordered.shape[1] - 1)
    return np.take_along_axis(ordered, inside[:, None], axis=1)[:, 0]


def _median(ordered: FloatArray, count: IntArray) -> FloatArray:
    low, high = _pick(ordered, (count - 1) // 2), _pick(ordered, count // 2)
    return np.where(low == high, low, 0.5 * low + 0.5 * high)


def _ties(t: FloatArray, mask: BoolArray) -> FloatArray:
    """Return the sum of g(g-1)(2g+5) over the groups of ties, each member adding its share."""
    group = ((t[:, :, None] == t[:, None, :]) & mask[:, None, :]).sum(axis=2)
    share = (group - 1.0) * (2.0 * group + 5.0)
    return total(np.where(mask, share, 0.0))


def _sd_of_s(points: IntArray, ties: FloatArray) -> FloatArray:
    """Return the standard deviation of Kendall's S with this many points and ties in time."""
    n = points.astype(np.float64)
    return np.sqrt(np.maximum(n * (n - 1.0) * (2.0 * n + 5.0) - ties, 0.0) / 18.0)


def _cut_exact(points: IntArray, confidence: float) -> IntArray:
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


def _level(
    t: FloatArray, y: FloatArray, mask: BoolArray, rate: FloatArray, u_rate: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return level at the last time, its uncertainty, and the covariance with the rate."""
    count = mask.sum(axis=1)
    there = np.maximum(count, 1).astype(np.float64)
    last = np.where(mask, t, -np.inf).max(axis=1, initial=-np.inf)
    last = np.where(count > 0, last, 0.0)
    # Times are counted from the last one, so that a date as a large number costs no digits.
    back = np.where(mask, t - last[:, None], 0.0)
    level = _median(np.sort(np.where(mask, y - rate[:, None] * back, np.inf), axis=1), count)
    middle = total(back) / there
    spread = total(np.where(mask, (back - middle[:, None]) ** 2, 0.0))
    finite = np.isfinite(u_rate)
    square = np.where(finite, u_rate, 0.0) ** 2
    variance = square * (1.5 * spread / there + middle**2)
    return (
        np.where(count > 0, level, 0.0),
        np.where(finite, np.sqrt(variance), np.inf),
        -square * middle,
    )


def _stated_uncertainty(t: FloatArray, u: FloatArray, mask: BoolArray) -> FloatArray:
    weight = np.where(mask & (u > 0.0), 1.0 / np.where(u > 0.0, u, 1.0) ** 2, 0.0)
    heavy = total(weight)
    middle = total(weight * t) / np.where(heavy > 0.0, heavy, 1.0)
    spread = total(weight * (t - middle[:, None]) ** 2)
    return np.where(
        spread > 0.0, np.sqrt(np.pi / 3.0 / np.where(spread > 0.0, spread, 1.0)), np.inf
    )
