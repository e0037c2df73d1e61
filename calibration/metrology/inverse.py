"""From a reading back to the load, with its expanded uncertainty and effective freedom."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.coverage import (
    LEVEL,
    coverage_factor,
    effective_degrees_of_freedom,
    freedom_of_lines,
)
from calibration.metrology.fit import Lines
from calibration.metrology.polynomial import Curves, evaluate

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

METHOD = "inverse/1"
_STEPS = 50


@dataclass(frozen=True)
class ReadingLine:
    """M calibrated lines, as what a reading needs of them.

    Attributes
    ----------
    slope, offset : (M,) arrays [reading/N], [reading]
    pivot_load, u_pivot : (M,) arrays [N], [reading]
        Load at which level and slope are uncorrelated, and the level's uncertainty there.
    u_slope : (M,) array [reading/N]
        Without the reference's common share.
    reference_pct : (M,) array [%]
        Relative standard uncertainty of the reference standard.
    residual_sd : (M,) array [reading]
    residual_dof : (M,) array
        Degrees of freedom of the residuals.
    line_dof : (M,) array
        Effective degrees of freedom of `u_pivot` and `u_slope`; infinite where they are known.
    widening : (M,) array [1]
        By how much the residuals widened the stated uncertainties; 1 where nothing was stated.
    known : (M,) array of bool
        False where nothing gives the scale of the uncertainties.
    """

    slope: Floats
    offset: Floats
    pivot_load: Floats
    u_pivot: Floats
    u_slope: Floats
    reference_pct: Floats
    residual_sd: Floats
    residual_dof: Floats
    line_dof: Floats
    widening: Floats
    known: Bools


@dataclass(frozen=True)
class LoadReadings:
    """Loads that M lines give for R readings each.

    Attributes
    ----------
    load, u_load : (M, R) arrays [N]
    degrees_of_freedom, coverage_factor : (M, R) arrays [1]
        Effective degrees of freedom (may be infinite) and the t-factor that they ask for.
    expanded : (M, R) array [N]
        ``coverage_factor * u_load``: the load lies within +- this at the level.
    level : float
    known : (M,) array of bool
        False where the uncertainty is unknown; `u_load` and `expanded` then say nothing.
    """

    load: Floats
    u_load: Floats
    degrees_of_freedom: Floats
    coverage_factor: Floats
    expanded: Floats
    level: float
    known: Bools


def reading_line(lines: Lines, reference_pct: Floats | float = 0.0) -> ReadingLine:
    """Return what a reading needs of fitted lines.

    Parameters
    ----------
    lines : Lines
        M fitted lines.
    reference_pct : (M,) array or float [%]
        The reference's relative standard uncertainty that the fit was made with.

    Returns
    -------
    ReadingLine

    Notes
    -----
    The degrees of freedom: `coverage.freedom_of_lines`.
    """
    dof, birge = lines.degrees_of_freedom, lines.birge_ratio
    return ReadingLine(
        slope=lines.slope,
        offset=lines.offset,
        pivot_load=lines.pivot_load,
        u_pivot=lines.u_pivot,
        u_slope=lines.u_slope_random,
        reference_pct=np.broadcast_to(np.float64(reference_pct), lines.slope.shape),
        residual_sd=lines.residual_sd,
        residual_dof=np.where(dof > 0, dof, np.inf),
        line_dof=freedom_of_lines(dof, birge, lines.stated),
        widening=np.where(lines.stated, np.maximum(birge, 1.0), 1.0),
        known=lines.scale_known,
    )


def predict_readings(line: ReadingLine, load: Floats) -> tuple[Floats, Floats]:
    """Return reading and standard uncertainty of M lines at (M, R) loads, reference included."""
    reading = line.offset[:, None] + line.slope[:, None] * load
    common = reading_per_load(line) * load * line.reference_pct[:, None] / 100.0
    return reading, np.hypot(_u_line(line, load), common)


def reading_per_load(line: ReadingLine) -> Floats:
    """Return the (M, 1) sizes of the slopes."""
    return np.abs(line.slope)[:, None]


def read_loads(
    line: ReadingLine,
    reading: Floats,
    *,
    u_reading: Floats | None = None,
    dof_reading: Floats | float = np.inf,
    alike: bool = False,
    repeats: Floats | int = 1,
    level: float = LEVEL,
) -> LoadReadings:
    """Turn readings back into loads.

    Parameters
    ----------
    line : ReadingLine
        M lines.
    reading : (M, R) array [reading]
        Readings, each the mean of its repeats.
    u_reading : (M, R) array [reading], optional
        Standard uncertainty of a single reading. Absent: the residuals' standard deviation,
        which then shares its degrees of freedom with the line.
    dof_reading : (M, R) array or float
        Degrees of freedom of `u_reading`.
    alike : bool
        `u_reading` is what was stated for the line's own points: where their residuals widened
        the line's uncertainty, they widen the reading's, which then shares its freedom.
    repeats : (M, R) array or int
        How many readings were averaged.
    level : float
        Coverage probability.

    Returns
    -------
    LoadReadings

    Raises
    ------
    ValueError
        If a slope is zero, a value is not finite, or an argument is out of its range.

    Notes
    -----
    ``load = (reading - offset) / slope``. Its variance is ``(u_reading^2 / repeats + u_pivot^2 +
    (load - pivot)^2 u_slope^2) / slope^2 + (load reference)^2``: level and slope at the pivot are
    uncorrelated, which is the covariance of slope and offset written without cancellation.

    References
    ----------
    ISO/TS 28037:2010, clause 6 (prediction of x from y). JCGM 100:2008, 5.2.2, G.4.1.
    D. L. Massart et al., Handbook of Chemometrics and Qualimetrics A (1997), chapter 8.
    """
    if (line.slope == 0).any() or not np.isfinite(reading).all():
        raise ValueError("slope, reading: finite, and no slope of zero")
    if (np.asarray(repeats) < 1).any():
        raise ValueError("repeats: at least one reading")
    load = (reading - line.offset[:, None]) / line.slope[:, None]
    single = line.residual_sd[:, None] if u_reading is None else u_reading
    if alike:
        single = single * line.widening[:, None]
    scatter = single / np.sqrt(repeats) / reading_per_load(line) + 0.0 * load
    of_line = _u_line(line, load) / reading_per_load(line)
    common = np.abs(load) * line.reference_pct[:, None] / 100.0
    of_scale = line.line_dof
    if alike:  # where the residuals widened both, the scale is known as well as these are
        of_scale = np.where(line.widening > 1.0, line.residual_dof, of_scale)
    line_dof = of_scale[:, None] + 0.0 * load
    if u_reading is None or alike:
        own = of_scale if alike else line.residual_dof
        shared = np.isclose(line_dof, own[:, None])
        of_line, scatter = (
            np.where(shared, np.hypot(of_line, scatter), of_line),
            np.where(shared, 0.0, scatter),
        )
        dof_reading = own[:, None]
    parts = np.stack([of_line, scatter, common], axis=-1)
    freedom = np.stack(np.broadcast_arrays(line_dof, dof_reading, np.inf), axis=-1)
    u_load = np.sqrt(np.sum(parts**2, axis=-1))
    dof = effective_degrees_of_freedom(parts, freedom)
    return _answer(load, u_load, dof, level, line.known)


def read_loads_on_curve(
    curves: Curves, reading: Floats, *, repeats: int = 1, level: float = LEVEL
) -> tuple[LoadReadings, Floats, Floats]:
    """Turn readings back into loads on quadratic or cubic curves.

    Parameters
    ----------
    curves : Curves
        M curves, rising or falling throughout their calibrated range.
    reading : (M, R) array [reading]
        Readings, each the mean of its repeats.
    repeats : int
        How many readings were averaged.
    level : float
        Coverage probability.

    Returns
    -------
    readings : LoadReadings
        The root at the calibrated range, with first-order uncertainty.
    lower, upper : (M, R) arrays [N]
        Ends of the interval by inversion of the prediction band, as the source has it.

    Raises
    ------
    ValueError
        If a root is not found: the reading lies where the curve has turned, or far off.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 4.6.1 (load cell).
    """
    dof = np.where(curves.degrees_of_freedom > 0, curves.degrees_of_freedom, np.inf)
    factor = coverage_factor(dof[:, None] + 0.0 * reading, level)
    noise = (curves.residual_sd / np.sqrt(repeats))[:, None]
    load = _solve(curves, reading, noise, 0.0 * factor)
    _, u_curve, slope = evaluate(curves, load)
    u_load = np.hypot(u_curve, noise) / np.abs(slope)
    known = np.asarray(curves.degrees_of_freedom > 0)
    answer = _answer(load, u_load, dof[:, None] + 0.0 * reading, level, known)
    ends = [_solve(curves, reading, noise, sign * factor) for sign in (-1.0, 1.0)]
    return answer, np.minimum(*ends), np.maximum(*ends)


def _solve(curves: Curves, reading: Floats, noise: Floats, factor: Floats) -> Floats:
    """Find the load where the curve, moved by factor times the prediction's u, is the reading."""
    centre, half = curves.centre[:, None], curves.half_range[:, None]
    load = centre + 0.0 * reading
    for _ in range(_STEPS):
        value, u_curve, slope = evaluate(curves, load)
        slope = np.where(slope == 0, np.finfo(np.float64).tiny, slope)
        off = (value - reading) + factor * np.hypot(u_curve, noise)
        step = np.clip(off / slope, -half, half)
        load = load - step
        if (np.abs(step) <= 1e-13 * half).all():
            return load
    raise ValueError("reading: the curve does not reach it within or near the calibrated range")


def _u_line(line: ReadingLine, load: Floats) -> Floats:
    """Return the (M, R) uncertainty [reading] of the lines, without the reference's share."""
    away = (load - line.pivot_load[:, None]) * line.u_slope[:, None]
    return np.hypot(line.u_pivot[:, None], away)


def _answer(load: Floats, u_load: Floats, dof: Floats, level: float, known: Bools) -> LoadReadings:
    factor = coverage_factor(dof, level)
    return LoadReadings(load, u_load, dof, factor, factor * u_load, level, known)
