"""Figures of up and down runs: nonlinearity, hysteresis, repeatability, zero return."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.fit import Points
from calibration.metrology.groups import Groups, Levels
from calibration.metrology.polynomial import fit_curves

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

METHOD = "multipoint/1"
SAME_LOAD_PCT = 0.5  # loads this close (in % of rated load) count as one level; our choice


@dataclass(frozen=True)
class RunFigures:
    """Figures of M calibrations, in % of the reading that the rated load makes.

    A figure is 0 where its `has_` array is False: the points do not show it.

    Attributes
    ----------
    terminal_pct : (M,) array [%]
        Largest deviation, with its sign, of the rising curve from the line through its ends.
    best_fit_pct : (M,) array [%]
        The same from the least-squares line through the rising curve.
    hysteresis_pct : (M,) array [%]
        Largest falling less rising reading at one load above the lowest, with its sign.
    repeatability_pct : (M,) array [%]
        Widest spread of readings at one load approached from one side.
    repeatability_sd_pct, repeatability_dof : (M,) arrays [%], [1]
        Their pooled standard deviation and its degrees of freedom.
    zero_return_pct : (M,) array [%]
        Falling less rising reading at zero load.
    has_nonlinearity, has_hysteresis, has_repeatability, has_zero_return : (M,) arrays of bool
    slope : (M,) array [reading/N]
        Slope of the least-squares line, by which readings were turned into % of rated load.
    """

    terminal_pct: Floats
    best_fit_pct: Floats
    hysteresis_pct: Floats
    repeatability_pct: Floats
    repeatability_sd_pct: Floats
    repeatability_dof: Ints
    zero_return_pct: Floats
    has_nonlinearity: Bools
    has_hysteresis: Bools
    has_repeatability: Bools
    has_zero_return: Bools
    slope: Floats


def run_figures(
    points: Points,
    falling: Bools,
    rated_load: Floats,
    same_load_pct: float = SAME_LOAD_PCT,
) -> RunFigures:
    """Return the figures of M calibrations with rising and falling points.

    Parameters
    ----------
    points : Points
        The points of M calibrations.
    falling : (P,) array of bool
        True where the load was approached from above (direction down).
    rated_load : (M,) array [N]
        Rated capacity.
    same_load_pct : float [%]
        Loads closer than this part of rated load count as one level.

    Returns
    -------
    RunFigures

    Raises
    ------
    ValueError
        If shapes disagree, a rated load is not above zero, or a calibration has no two loads.

    Notes
    -----
    Deviations are taken from the least-squares line through the rising level means (through all
    points where fewer than two levels rise), so that loads which are nearly but not quite equal
    compare rightly. Nonlinearity belongs to the rising curve; hysteresis leaves out the lowest
    load, whose difference is the zero return; repeatability is the spread over runs.

    References
    ----------
    ANSI/ISA-37.1-1975 (R1982), Electrical Transducer Nomenclature and Terminology: linearity
    (terminal, least squares), hysteresis, repeatability, zero return. (Terms and definitions
    from memory of the standard; no clause numbers are claimed.)
    """
    groups = Groups(points.counts)
    _check(points, falling, rated_load)
    levels = Levels(groups, points.load, rated_load * same_load_pct / 100.0)
    rising = _rising_or_all(groups, levels, falling)
    slope, rest = _about_line(points, groups, levels, rising)
    to_pct = 100.0 / (np.abs(slope) * rated_load)
    up, down = levels.mean(rest, ~falling), levels.mean(rest, falling)
    both = (levels.count(~falling) > 0) & (levels.count(falling) > 0)
    lowest = np.concatenate(([True], np.diff(levels.calibration) != 0))
    at_zero = (
        np.abs(levels.mean(points.load, np.ones_like(falling)))
        <= (rated_load * same_load_pct / 100.0)[levels.calibration]
    )
    curve = _Curve(levels, points.load, rest, rising)
    widest, spread_square, dof = _repeats(groups, levels, rest, falling)
    per = levels.calibration, len(slope)
    return RunFigures(
        terminal_pct=_largest(curve.from_ends, curve.present, *per) * to_pct,
        best_fit_pct=_largest(curve.level, curve.present, *per) * to_pct,
        hysteresis_pct=_largest(down - up, both & ~lowest, *per) * to_pct,
        repeatability_pct=_largest(widest, widest >= 0, *per) * to_pct,
        repeatability_sd_pct=np.sqrt(spread_square / np.maximum(dof, 1)) * to_pct,
        repeatability_dof=dof,
        zero_return_pct=_largest(down - up, both & lowest & at_zero, *per) * to_pct,
        has_nonlinearity=np.bincount(per[0][curve.present], minlength=per[1]) > 2,
        has_hysteresis=np.bincount(per[0][both & ~lowest], minlength=per[1]) > 0,
        has_repeatability=dof > 0,
        has_zero_return=np.bincount(per[0][both & lowest & at_zero], minlength=per[1]) > 0,
        slope=slope,
    )


class _Curve:
    """Level means of the rising points about the line, and about the chord through their ends."""

    def __init__(self, levels: Levels, load: Floats, rest: Floats, rising: Bools) -> None:
        self.present = np.asarray(levels.count(rising) > 0)
        self.level = levels.mean(rest, rising)
        x = levels.mean(load, rising)
        index = np.flatnonzero(self.present)
        owner = levels.calibration[index]
        first = index[np.concatenate(([True], np.diff(owner) != 0))]
        last = index[np.concatenate((np.diff(owner) != 0, [True]))]
        chord = (self.level[last] - self.level[first]) / (x[last] - x[first])
        whose = levels.calibration
        self.from_ends = (self.level - self.level[first][whose]) - chord[whose] * (
            x - x[first][whose]
        )


def _rising_or_all(groups: Groups, levels: Levels, falling: Bools) -> Bools:
    """Choose the rising points where they make two levels, else every point."""
    risen = np.bincount(
        levels.calibration[levels.count(~falling) > 0], minlength=len(groups.counts)
    )
    return np.asarray(~falling | (risen < 2)[groups.number])


def _about_line(
    points: Points, groups: Groups, levels: Levels, rising: Bools
) -> tuple[Floats, Floats]:
    """Slope of the line through the rising level means, and all readings about it."""
    start = groups.spread(points.reading[groups.starts])
    x, y = levels.mean(points.load, rising), levels.mean(points.reading - start, rising)
    present = levels.count(rising) > 0
    means = Points(
        x[present],
        y[present],
        0.0 * x[present],
        0.0 * x[present],
        np.bincount(levels.calibration[present], minlength=len(groups.counts)),
    )
    line = fit_curves(means, 1)
    if not line.estimable.all():
        raise ValueError("load: a calibration needs at least two distinct load levels")
    slope = line.central[:, 1] / line.half_range
    if (slope == 0).any():
        raise ValueError("reading: the readings of a calibration do not change with the load")
    level = groups.spread(line.central[:, 0])
    load = points.load - groups.spread(line.centre)
    return slope, np.asarray((points.reading - start) - level - groups.spread(slope) * load)


def _repeats(
    groups: Groups, levels: Levels, rest: Floats, falling: Bools
) -> tuple[Floats, Floats, Ints]:
    """Widest spread by level, (L,), -1 without repeats; pooled squares and freedom, (M,)."""
    widest = np.full(levels.size, -1.0)
    square, dof = np.zeros(len(groups.counts)), np.zeros(len(groups.counts), dtype=np.int64)
    for side in (falling, ~falling):
        times = levels.count(side)
        widest = np.maximum(widest, np.where(times > 1, levels.widest(rest, side), -1.0))
        off = np.where(side, rest - levels.mean(rest, side)[levels.of_point], 0.0)
        square += groups.total(off**2)
        dof += np.bincount(
            levels.calibration, np.maximum(times - 1, 0), minlength=len(dof)
        ).astype(np.int64)
    return widest, square, dof


def _largest(values: Floats, chosen: Bools, owner: Ints, count: int) -> Floats:
    """Return the chosen value of the largest size of each calibration, with its sign."""
    high, low = np.zeros(count), np.zeros(count)
    np.maximum.at(high, owner[chosen], values[chosen])
    np.minimum.at(low, owner[chosen], values[chosen])
    return np.where(high >= -low, high, low)


def _check(points: Points, falling: Bools, rated_load: Floats) -> None:
    if len(falling) != len(points.load):
        raise ValueError("falling: one entry for each point")
    if rated_load.shape != points.counts.shape:
        raise ValueError("rated_load: one entry for each calibration")
    if not (np.isfinite(rated_load).all() and (rated_load > 0).all()):
        raise ValueError("rated_load: finite and above zero")
