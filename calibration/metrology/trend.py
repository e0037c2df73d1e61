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
from functools import cached_property
from typing import Any

import numpy as np

from calibration.metrology.kendall import EXACT_UP_TO, cut_exact, sd_of_s, ties
from calibration.metrology.padding import (
    BoolArray,
    FloatArray,
    IntArray,
    columns,
    normal_quantile,
    total,
)
from calibration.metrology.pair_slopes import Table, median, pick, slopes


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
    known : ndarray of bool, shape (N,)
        Two calibrations at different times are there.
    bounded : ndarray of bool, shape (N,)
        The interval has both limits.
    points, pairs : ndarray of int, shape (N,)
        Calibrations, and pairs of them at different times.
    confidence : float
        Two-sided confidence of the interval [1].
    table : tuple of ndarray, shape (k, N)
        The input: times, y, and which of them are used; 0 where they are not.
    """

    rate: FloatArray
    rate_low: FloatArray
    rate_high: FloatArray
    u_rate: FloatArray
    known: BoolArray
    bounded: BoolArray
    points: IntArray
    pairs: IntArray
    confidence: float
    table: Table

    @property
    def level(self) -> FloatArray:
        """Level at the last time by the line [unit of y]; the median of y without a rate."""
        return self._at_last[0]

    @property
    def u_level(self) -> FloatArray:
        """Standard uncertainty of the level [unit of y]; inf where the rate has no limits."""
        return self._at_last[1]

    @property
    def covariance(self) -> FloatArray:
        """Of both: a rate too high makes the last level too high [unit of y ^2 / day]."""
        return self._at_last[2]

    @cached_property
    def _at_last(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        # Only when somebody asks: it costs as much as the rate.
        return _level(self.table, self.rate, np.where(self.bounded, self.u_rate, np.inf))


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
    ``u(rate)^2 = (pi/3) sum(a^2 u^2)``, ``a = (t - tbar) / sum((t - tbar)^2)``, which is the
    least-squares uncertainty over the efficiency of the estimate for normal errors [1]_ section 6.
    It takes the errors as independent and leaves out what the sensor itself does from season to
    season.

    Level: ``median(y - rate t) + rate t_last``. With D from the mean to the last time and
    ``S = sum((t - tbar)^2)``: ``u(level)^2 = 1.5 u(rate)^2 S / n + u(rate)^2 D^2``, the first term
    the median's (pi/2 over n) with the scatter that u(rate) implies; ``cov = u(rate)^2 D``.
    u(rate) is half the interval over the normal quantile that M stands for, with continuity
    correction ``(pairs - 2M + 1) / sqrt(var S)``: few points attain more than is asked.
    """
    table = _checked(t, y, mask)
    ordered, points, pairs = slopes(table)
    z = normal_quantile(0.5 + 0.5 * confidence)
    tied = ties(table, points, pairs)
    sd = sd_of_s(points, tied)
    cut = np.floor((pairs - z * sd) / 2.0).astype(np.int64)
    if exact:
        listed = (tied == 0.0) & (points <= EXACT_UP_TO)
        cut = np.where(listed, cut_exact(points, confidence), cut)
    known, limited = _each(pairs > 0, table), _each(cut > 0, table)
    rate = np.where(known, median(ordered, pairs), 0.0)
    low = np.where(limited, pick(ordered, cut - 1), -np.inf)
    high = np.where(limited, pick(ordered, pairs - cut), np.inf)
    attained = (pairs - 2.0 * cut + 1.0) / np.where(sd > 0.0, sd, 1.0)
    u_rate = np.where(limited, (high - low) / (2.0 * np.where(cut > 0, attained, 1.0)), np.inf)
    if u is not None:
        rows = np.flatnonzero(known & ~limited)
        stated = _stated(table, columns("u", u, table[0].T.shape), rows)
        u_rate[rows] = stated
        low[rows], high[rows] = rate[rows] - z * stated, rate[rows] + z * stated
    bounded = np.isfinite(low) & np.isfinite(high)
    points, pairs = _each(points, table), _each(pairs, table)
    return Trend(rate, low, high, u_rate, known, bounded, points, pairs, confidence, table)


def stated_uncertainty(
    t: object, u: object, mask: object = None, *, group: object = None, u_group: object = 0.0
) -> FloatArray:
    """Return the standard uncertainty of a rate from those of y alone.

    Parameters
    ----------
    t : array_like, shape (N, k)
        Times [day].
    u : array_like, broadcast to (N, k)
        Standard uncertainty of each y, independent from one to the other [unit of y].
    mask : array_like of bool, shape (N, k), optional
        True where there is a calibration.
    group : array_like of int, shape (N, k), optional
        Equal for those of a sensor that share one more error, for instance a reference's.
    u_group : array_like, broadcast to (N, k)
        Standard uncertainty of that error, the same throughout a group [unit of y].

    Returns
    -------
    ndarray, shape (N,)
        As `theil_sen` takes it where there is no distribution-free interval (see its notes);
        inf where all times are the same [unit of y / day].

    Raises
    ------
    ValueError
        If shapes do not agree, or a time is not finite.

    Notes
    -----
    An error that the members of a group share moves them together: by JCGM 100:2008, 5.2.2, what
    it adds is ``u_group^2 (sum of a over the group)^2``, a as in `theil_sen`; nothing, where all
    belong to one group.
    """
    table = _checked(t, t, mask)
    shape = table[0].T.shape
    own = columns("u", u, shape)
    every = np.arange(shape[0])
    if group is None:
        return _stated(table, own, every)
    shared = columns("group", group, shape), columns("u_group", u_group, shape)
    return _stated(table, own, every, shared)


def _checked(t: object, y: object, mask: object) -> Table:
    t = np.asarray(t, dtype=np.float64)
    if t.ndim != 2:
        message = f"t: shape {t.shape} is not (sensors, seasons)"
        raise ValueError(message)
    shape = t.shape
    t, y = columns("t", t, shape), columns("y", y, shape)
    used = np.ones(shape, dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
    if used.shape != shape:
        message = f"mask: shape {used.shape} does not fit {shape}"
        raise ValueError(message)
    used = np.ascontiguousarray(used.T)
    if not used.all():
        t, y = np.where(used, t, 0.0), np.where(used, y, 0.0)
    for name, values in (("t", t), ("y", y)):
        if not np.isfinite(values).all():
            message = f"{name}: a value that is used is not finite"
            raise ValueError(message)
    return t, y, used


def _each(values: Any, table: Table) -> Any:
    """Return one value a sensor where there may be one for all."""
    return np.broadcast_to(values, table[0].shape[1:])


def _level(
    table: Table, rate: FloatArray, u_rate: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return level at the last time, its uncertainty, and the covariance with the rate."""
    t, y, used = table
    count = used.sum(axis=0)
    there = np.maximum(count, 1).astype(np.float64)
    last = np.where(used, t, -np.inf).max(axis=0, initial=-np.inf)
    last = np.where(count > 0, last, 0.0)
    # Times are counted from the last one, so that a date as a large number costs no digits.
    back = np.where(used, t - last, 0.0)
    level = median(np.sort(np.where(used, y - rate * back, np.inf), axis=0), count)
    middle = total(back.T) / there
    spread = total(np.where(used, (back - middle) ** 2, 0.0).T)
    finite = np.isfinite(u_rate)
    square = np.where(finite, u_rate, 0.0) ** 2
    variance = square * (1.5 * spread / there + middle**2)
    return (
        np.where(count > 0, level, 0.0),
        np.where(finite, np.sqrt(variance), np.inf),
        -square * middle,
    )


def _stated(
    table: Table,
    u: FloatArray,
    rows: IntArray,
    shared: tuple[FloatArray, FloatArray] | None = None,
) -> FloatArray:
    """Return the standard uncertainty of the rate of some of the sensors from those of y."""
    t, used = table[0], table[2]
    if len(rows) < t.shape[1]:
        t, used, u = t[:, rows], used[:, rows], u[:, rows]
    used = used & (u > 0.0)
    count = np.maximum(used.sum(axis=0), 1)
    middle = total(np.where(used, t, 0.0).T) / count
    away = np.where(used, t - middle, 0.0)
    spread = total((away**2).T)
    # One time has no spread but that of rounding its mean.
    real = spread > 1e-24 * total(np.where(used, t * t, 0.0).T)
    share = away / np.where(real, spread, 1.0)
    variance = total(((share * u) ** 2).T)
    if shared is not None:
        variance = variance + _of_groups(share, *shared)
    return np.where(real, np.sqrt(np.pi / 3.0 * variance), np.inf)


def _of_groups(share: FloatArray, group: FloatArray, u_group: FloatArray) -> FloatArray:
    """Return what the errors add that the members of a group share; (k, N) arrays."""
    added = np.zeros(share.shape[1])
    for own, key, u in zip(share, group, u_group, strict=True):
        together = total(np.where(group == key, share, 0.0).T)
        added = added + own * together * u**2
    return np.maximum(added, 0.0)
