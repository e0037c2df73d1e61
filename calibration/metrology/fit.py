"""Straight lines through calibration points: reading = offset + slope * load."""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Values = TypeVar("Values", NDArray[np.float64], NDArray[np.bool_])

METHOD = "line/1"
_ITERATIONS = 60
_CONVERGED = 4e-16


@dataclass(frozen=True)
class Points:
    """Points of M calibrations, laid end to end.

    Attributes
    ----------
    load : (P,) array [N]
        Loads.
    reading : (P,) array [reading]
        Readings.
    u_load : (P,) array [N]
        Standard uncertainty of each load, independent from point to point.
    u_reading : (P,) array [reading]
        Standard uncertainty of each reading. Where a calibration has neither, the scale of its
        uncertainties comes from its residuals alone.
    counts : (M,) array
        How many points each calibration has; they add up to P.
    """

    load: Floats
    reading: Floats
    u_load: Floats
    u_reading: Floats
    counts: Ints


@dataclass(frozen=True)
class Lines:
    """M fitted lines, with the points that they came from.

    Attributes
    ----------
    points : Points
        The input.
    slope : (M,) array [reading/N]
    offset : (M,) array [reading]
    u_slope_random : (M,) array [reading/N]
        Standard uncertainty of the slope without the reference's common share.
    u_slope : (M,) array [reading/N]
        The same with it.
    u_offset : (M,) array [reading]
    covariance : (M,) array [reading^2/N]
        Covariance of slope and offset (the reference's share is a pure scale and adds none).
    pivot_load, u_pivot : (M,) arrays [N], [reading]
        The load at which level and slope are uncorrelated, and the level's uncertainty there.
    residual_sd : (M,) array [reading]
        Root of the squared residuals over the degrees of freedom; 0 where there are none.
    birge_ratio : (M,) array [1]
        Observed over expected scatter; 1 where there are no degrees of freedom.
    degrees_of_freedom : (M,) array
    scale_known : (M,) array of bool
        False where neither an input uncertainty nor a residual gives the scale: two points and
        no stated uncertainty. Uncertainties are then zero and must not be believed.
    """

    points: Points
    slope: Floats
    offset: Floats
    u_slope_random: Floats
    u_slope: Floats
    u_offset: Floats
    covariance: Floats
    pivot_load: Floats
    u_pivot: Floats
    residual_sd: Floats
    birge_ratio: Floats
    degrees_of_freedom: Ints
    scale_known: NDArray[np.bool_]


def fit_lines(points: Points, reference_pct: Floats | float = 0.0) -> Lines:
    """Fit one line to each calibration by weighted least squares with errors in both axes.

    Parameters
    ----------
    points : Points
        The points of M calibrations.
    reference_pct : (M,) array or float [%]
        Relative standard uncertainty of the reference standard, common to all points of a
        calibration. It widens the slope's uncertainty and is not averaged down.

    Returns
    -------
    Lines

    Raises
    ------
    ValueError
        If lengths disagree, a value is not finite, an uncertainty is negative or missing for
        some points of a calibration only, or a calibration has fewer than two distinct loads.

    Notes
    -----
    York's equations with uncorrelated errors: ``W = 1 / (u_reading^2 + slope^2 u_load^2)``,
    iterated from the unweighted slope until it stands still; without load uncertainty this is
    ordinary weighted least squares. Sums are taken about the weighted mean (centred before they
    are solved), so that readings of 8,000,000 +- 500 keep their digits. Uncertainties are taken
    at the adjusted loads and inflated by the Birge ratio where it exceeds one (residuals larger
    than the inputs allow).

    References
    ----------
    D. York et al., Unified equations for the slope, intercept, and standard errors of the best
    straight line, Am. J. Phys. 72 (2004) 367, equation 13. R. T. Birge, Phys. Rev. 40 (1932) 207.
    """
    _check(points)
    groups = _Groups(points.counts)
    bare = groups.total(points.u_reading + points.u_load) == 0.0
    u_reading = np.where(groups.spread(bare), 1.0, points.u_reading)
    slope = _iterate(points, groups, u_reading)
    line = _Weighted(points, groups, u_reading, slope)
    dof = points.counts - 2
    scatter, birge = _scatter(line, groups, dof)
    scale = np.where(bare, np.where(dof > 0, birge, 0.0), np.maximum(birge, 1.0))
    u_slope = scale / np.sqrt(line.adjusted_square)
    u_pivot = scale / np.sqrt(line.weight_sum)
    reference = np.abs(slope) * np.asarray(reference_pct, dtype=np.float64) / 100.0
    return Lines(
        points=points,
        slope=slope,
        offset=line.offset,
        u_slope_random=u_slope,
        u_slope=np.hypot(u_slope, reference),
        u_offset=np.hypot(u_pivot, line.adjusted_mean * u_slope),
        covariance=-line.adjusted_mean * u_slope**2,
        pivot_load=line.adjusted_mean,
        u_pivot=u_pivot,
        residual_sd=scatter,
        birge_ratio=np.where(bare, 1.0, birge),
        degrees_of_freedom=dof,
        scale_known=~(bare & (dof == 0)),
    )


def residuals(lines: Lines) -> Floats:
    """Return the (P,) residuals [reading] of the points about their lines."""
    points = lines.points
    return _residuals(points, _Groups(points.counts), lines.slope, lines.pivot_load, lines.offset)


class _Groups:
    """Sums within, and values spread over, the points of each calibration."""

    def __init__(self, counts: Ints) -> None:
        self.counts = counts
        self.starts = np.concatenate(([0], np.cumsum(counts)[:-1])).astype(np.int64)

    def total(self, values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values, self.starts))

    def spread(self, values: Values) -> Values:
        return np.repeat(values, self.counts)


class _Weighted:
    """Centred weighted sums about a slope, and what follows from them."""

    def __init__(self, points: Points, groups: _Groups, u_reading: Floats, slope: Floats) -> None:
        b = groups.spread(slope)
        weight = 1.0 / (u_reading**2 + (b * points.u_load) ** 2)
        self.weight = weight
        self.weight_sum = groups.total(weight)
        self.mean_load = _mean(points.load, weight, self.weight_sum, groups)
        self.mean_reading = _mean(points.reading, weight, self.weight_sum, groups)
        load = points.load - groups.spread(self.mean_load)
        reading = points.reading - groups.spread(self.mean_reading)
        shift = weight * (load * u_reading**2 + b * reading * points.u_load**2)
        self.next_slope = groups.total(weight * shift * reading) / groups.total(
            weight * shift * load
        )
        self.offset = self.mean_reading - slope * self.mean_load
        mean_shift = groups.total(weight * shift) / self.weight_sum
        self.adjusted_mean = self.mean_load + mean_shift
        self.adjusted_square = groups.total(weight * (shift - groups.spread(mean_shift)) ** 2)
        self.residual = reading - b * load


def _mean(values: Floats, weight: Floats, total: Floats, groups: _Groups) -> Floats:
    """Weighted mean, taken about the first value of each group: exact for large common parts."""
    start = values[groups.starts]
    rest = values - groups.spread(start)
    return np.asarray(start + groups.total(weight * rest) / total)


def _iterate(points: Points, groups: _Groups, u_reading: Floats) -> Floats:
    even = _Weighted(points, groups, np.ones_like(u_reading), np.zeros(len(points.counts)))
    slope = even.next_slope if points.u_load.any() else np.zeros(len(points.counts))
    moving = np.ones(len(slope), dtype=bool)
    for _ in range(_ITERATIONS if points.u_load.any() else 1):
        new = _Weighted(points, groups, u_reading, slope).next_slope
        changed = np.abs(new - slope) > _CONVERGED * np.abs(new)
        slope = np.where(moving, new, slope)
        moving &= changed
        if not moving.any():
            break
    return slope


def _scatter(line: _Weighted, groups: _Groups, dof: Ints) -> tuple[Floats, Floats]:
    """Residual standard deviation [reading] and Birge ratio, with their values at no freedom."""
    free = np.maximum(dof, 1)
    plain = np.sqrt(groups.total(line.residual**2) / free)
    birge = np.sqrt(groups.total(line.weight * line.residual**2) / free)
    return np.where(dof > 0, plain, 0.0), np.where(dof > 0, birge, 1.0)


def _residuals(
    points: Points, groups: _Groups, slope: Floats, pivot: Floats, offset: Floats
) -> Floats:
    level = offset + slope * pivot
    load = points.load - groups.spread(pivot)
    return np.asarray((points.reading - groups.spread(level)) - groups.spread(slope) * load)


def _check(points: Points) -> None:
    sizes = {len(points.load), len(points.reading), len(points.u_load), len(points.u_reading)}
    if sizes != {int(points.counts.sum())}:
        raise ValueError("points: load, reading, u_load and u_reading must have sum(counts) items")
    for name in ("load", "reading", "u_load", "u_reading"):
        if not np.isfinite(getattr(points, name)).all():
            raise ValueError(f"{name}: every value must be finite")
    if (points.u_load < 0).any() or (points.u_reading < 0).any():
        raise ValueError("u_load, u_reading: an uncertainty is not negative")
    if (points.counts < 2).any():
        raise ValueError("counts: a line needs at least two points")
    groups = _Groups(points.counts)
    starts, u = groups.starts, points.u_load + points.u_reading
    if ((u == 0) & (groups.spread(groups.total(u)) > 0)).any():
        raise ValueError("u_load, u_reading: give every point of a calibration one, or none")
    if (
        np.maximum.reduceat(points.load, starts) == np.minimum.reduceat(points.load, starts)
    ).any():
        raise ValueError("load: a line needs at least two distinct loads")
