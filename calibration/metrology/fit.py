"""Straight lines through calibration points: reading = offset + slope * load."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

METHOD = "line/1"
_ITERATIONS = 60
_CONVERGED = 4e-16
_BLOCK = 12_288  # points at a time: what is worked on stays in the processor's cache


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
    stated : (M,) array of bool
        False where no uncertainty was given: the residuals alone give the scale.
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
    stated: NDArray[np.bool_]
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
    than the inputs allow). Calibrations with equally many points are worked on together, a point
    a row: sums run over the rows, so a calibration gets the same bits in any company.

    References
    ----------
    D. York et al., Unified equations for the slope, intercept, and standard errors of the best
    straight line, Am. J. Phys. 72 (2004) 367, equation 13. R. T. Birge, Phys. Rev. 40 (1932) 207.
    """
    _check(points)
    line = _Fitted(*np.empty((len(_Fitted.__annotations__), len(points.counts))))
    for rows, table in _tables(points):
        for column, values in zip(line, _fit(table), strict=True):
            column[rows] = values
    dof, bare = points.counts - 2, line.bare > 0.0
    scale = np.where(bare, np.where(dof > 0, line.birge, 0.0), np.maximum(line.birge, 1.0))
    u_slope = scale / np.sqrt(line.square)
    u_pivot = scale / np.sqrt(line.weight)
    reference = line.slope * np.asarray(reference_pct, dtype=np.float64) / 100.0
    # Squares of these neither over- nor underflow: no need of the slow hypot.
    return Lines(
        points=points,
        slope=line.slope,
        offset=line.offset,
        u_slope_random=u_slope,
        u_slope=np.sqrt(u_slope**2 + reference**2),
        u_offset=np.sqrt(u_pivot**2 + (line.pivot * u_slope) ** 2),
        covariance=-line.pivot * u_slope**2,
        pivot_load=line.pivot,
        u_pivot=u_pivot,
        residual_sd=line.scatter,
        birge_ratio=np.where(bare, 1.0, line.birge),
        degrees_of_freedom=dof,
        stated=~bare,
        scale_known=~(bare & (dof == 0)),
    )


def residuals(lines: Lines) -> Floats:
    """Return the (P,) residuals [reading] of the points about their lines."""
    points = lines.points
    level = np.repeat(lines.offset + lines.slope * lines.pivot_load, points.counts)
    slope, pivot = (np.repeat(each, points.counts) for each in (lines.slope, lines.pivot_load))
    return np.asarray((points.reading - level) - slope * (points.load - pivot))


@dataclass(frozen=True)
class _Table:
    """The points of n calibrations with k points each, (k, n) arrays."""

    load: Floats
    reading: Floats
    u_load: Floats
    u_reading: Floats


class _Fitted(NamedTuple):
    """What a table gives, n long arrays.

    `weight` is the sum of the weights; `square` that of the weighted squared distances of the
    adjusted loads from their mean, the pivot.
    """

    slope: Floats
    offset: Floats
    pivot: Floats
    weight: Floats
    square: Floats
    scatter: Floats
    birge: Floats
    bare: Floats


def _tables(points: Points) -> Iterator[tuple[Ints, _Table]]:
    """Yield calibrations with equally many points, and their points, as many as a cache holds."""
    starts = np.cumsum(points.counts) - points.counts
    for count in np.flatnonzero(np.bincount(points.counts)).tolist():
        same = np.flatnonzero(points.counts == count)
        number = np.arange(count)[:, None]
        for rows in np.array_split(same, 1 + count * len(same) // _BLOCK):
            index = starts[rows] + number
            columns = points.load, points.reading, points.u_load, points.u_reading
            yield rows, _Table(*(column[index] for column in columns))


def _fit(table: _Table) -> _Fitted:
    u = table.u_load + table.u_reading
    bare = _total(u) == 0.0
    _check_table(table, u, bare)
    u_reading = np.where(bare, 1.0, table.u_reading) if bare.any() else table.u_reading
    if table.u_load.any():
        slope = _iterate(table, u_reading)
        sums = _Sums(table, u_reading, slope)
    else:  # the weights do not depend on the slope
        sums = _Sums(table, u_reading, np.zeros(len(bare)))
        slope = sums.next_slope
    shift = _total(sums.moments) / sums.weight_sum
    scatter, birge = _scatter(sums, slope)
    return _Fitted(
        slope=slope,
        offset=sums.mean_reading - slope * sums.mean_load,
        pivot=sums.mean_load + shift,
        weight=sums.weight_sum,
        square=_total(sums.weight * (sums.shift - shift) ** 2),
        scatter=scatter,
        birge=birge,
        bare=bare.astype(np.float64),
    )


class _Sums:
    """Centred weighted sums about a slope."""

    def __init__(self, table: _Table, u_reading: Floats, slope: Floats) -> None:
        square = u_reading**2
        self.weight = weight = 1.0 / (square + (slope * table.u_load) ** 2)
        self.weight_sum = _total(weight)
        self.mean_load = _mean(table.load, weight, self.weight_sum)
        self.mean_reading = _mean(table.reading, weight, self.weight_sum)
        self.load = table.load - self.mean_load
        self.reading = table.reading - self.mean_reading
        self.shift = weight * (self.load * square + slope * self.reading * table.u_load**2)
        self.moments = weight * self.shift

    @property
    def next_slope(self) -> Floats:
        return _total(self.moments * self.reading) / _total(self.moments * self.load)


def _total(values: Floats) -> Floats:
    """Sum over the points: the first and the sum of the others, each in order."""
    others = values[1]
    for row in values[2:]:
        others = others + row
    return np.asarray(values[0] + others)


def _mean(values: Floats, weight: Floats, total: Floats) -> Floats:
    """Weighted mean, taken about the first value: exact for large common parts."""
    return np.asarray(values[0] + _total(weight * (values - values[0])) / total)


def _iterate(table: _Table, u_reading: Floats) -> Floats:
    slope = _Sums(table, np.ones_like(u_reading), np.zeros(u_reading.shape[1])).next_slope
    moving = np.ones(len(slope), dtype=bool)
    for _ in range(_ITERATIONS):
        new = _Sums(table, u_reading, slope).next_slope
        changed = np.abs(new - slope) > _CONVERGED * np.abs(new)
        slope = np.where(moving, new, slope)
        moving &= changed
        if not moving.any():
            break
    return slope


def _scatter(sums: _Sums, slope: Floats) -> tuple[Floats, Floats]:
    """Residual standard deviation [reading] and Birge ratio, with their values at no freedom."""
    free = len(sums.load) - 2
    if free == 0:
        return np.zeros(len(slope)), np.ones(len(slope))
    square = (sums.reading - slope * sums.load) ** 2
    return np.sqrt(_total(square) / free), np.sqrt(_total(sums.weight * square) / free)


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


def _check_table(table: _Table, u: Floats, bare: NDArray[np.bool_]) -> None:
    if ((u == 0) & ~bare).any():
        raise ValueError("u_load, u_reading: give every point of a calibration one, or none")
    if (table.load[1:] == table.load[0]).all(axis=0).any():
        raise ValueError("load: a line needs at least two distinct loads")
