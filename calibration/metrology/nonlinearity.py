"""Does a line explain the points: lack of fit, the gain of further terms, how far it bends."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.fit import Points
from calibration.metrology.groups import Groups, Levels
from calibration.metrology.polynomial import Curves, evaluate, fit_curves

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

METHOD = "nonlinearity/1"
SIGNIFICANCE = 0.01  # a term counts if chance would do as well less often; our choice
F_LIMIT = 1e12  # an F of more says no more; keeps the result finite where no scatter is left
_ROUNDING = 64 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True)
class FTest:
    """An F test of M calibrations.

    Attributes
    ----------
    f, p : (M,) arrays [1]
        The ratio of mean squares (at most 1e12) and the probability of a larger one by chance.
    numerator_dof, denominator_dof : (M,) arrays
    denominator_sd : (M,) array [reading]
        Root of the mean square that the test measures by: for lack of fit the replication sd.
    possible : (M,) array of bool
        False where the points do not allow the test; then f is 0 and p is 1.
    """

    f: Floats
    p: Floats
    numerator_dof: Ints
    denominator_dof: Ints
    denominator_sd: Floats
    possible: Bools


@dataclass(frozen=True)
class Nonlinearity:
    """Which curve M calibrations ask for, and how far it bends.

    Attributes
    ----------
    order : (M,) array
        1 line, 2 quadratic, 3 cubic: the highest whose added term is significant.
    p_quadratic, p_cubic : (M,) arrays [1]
        Probability that chance alone makes the added term explain so much.
    bend_pct : (M,) array [%]
        Largest distance of that curve from the line at the calibrated loads, in % of rated load.
    lack_of_fit_f, lack_of_fit_p : (M,) arrays [1]
        Lack-of-fit test of the straight line.
    has_curvature, has_lack_of_fit : (M,) arrays of bool
        False where there are too few points, or no repeated loads, for the test.
    """

    order: Ints
    p_quadratic: Floats
    p_cubic: Floats
    bend_pct: Floats
    lack_of_fit_f: Floats
    lack_of_fit_p: Floats
    has_curvature: Bools
    has_lack_of_fit: Bools


def diagnose_nonlinearity(
    points: Points, rated_load: Floats, significance: float = SIGNIFICANCE
) -> Nonlinearity:
    """Say whether M calibrations bend, how far, and whether a line explains their points.

    Parameters
    ----------
    points : Points
        The points of M calibrations, rising and falling together.
    rated_load : (M,) array [N]
        Rated capacity.
    significance : float
        A term counts if chance would do as well with less than this probability.

    Returns
    -------
    Nonlinearity

    Raises
    ------
    ValueError
        If a rated load is missing or not above zero, a calibration has no two distinct loads,
        or its readings do not change.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 4.6.1 (load cell: line, then quadratic).
    """
    if rated_load.shape != points.counts.shape or not (rated_load > 0).all():
        raise ValueError("rated_load: one entry above zero for each calibration")
    line, quadratic, cubic = (fit_curves(points, degree) for degree in (1, 2, 3))
    if not line.estimable.all() or (line.central[:, 1] == 0).any():
        raise ValueError("points: each calibration needs two loads, and readings that change")
    second, third = gain(line, quadratic), gain(quadratic, cubic)
    misfit = lack_of_fit(line)
    bends = second.possible & (second.p < significance)
    twists = third.possible & (third.p < significance)
    order = np.where(twists, 3, np.where(bends, 2, 1))
    to_pct = 100.0 / (np.abs(line.central[:, 1]) / line.half_range * rated_load)
    bend = np.where(
        twists, _distance(line, cubic), np.where(bends, _distance(line, quadratic), 0.0)
    )
    return Nonlinearity(
        order=order,
        p_quadratic=second.p,
        p_cubic=third.p,
        bend_pct=bend * to_pct,
        lack_of_fit_f=misfit.f,
        lack_of_fit_p=misfit.p,
        has_curvature=second.possible,
        has_lack_of_fit=misfit.possible,
    )


def lack_of_fit(curves: Curves) -> FTest:
    """Test whether the residuals are larger than repeated readings at equal loads explain.

    Parameters
    ----------
    curves : Curves

    Returns
    -------
    FTest
        Impossible without repeated loads, with repeats that agree exactly, or with no more
        distinct loads than coefficients.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 4.6.1 (load cell).
    """
    points = curves.points
    groups = Groups(points.counts)
    levels = Levels(groups, points.load, np.zeros(len(points.counts)))
    everything = np.ones(len(points.load), dtype=bool)
    rest = points.reading - groups.spread(points.reading[groups.starts])
    deviation = rest - levels.mean(rest, everything)[levels.of_point]
    pure = groups.total(deviation**2)
    misfit = np.maximum(curves.residual_square - pure, 0.0)
    numerator = levels.per_calibration - curves.degree - 1
    denominator = points.counts - levels.per_calibration
    possible = curves.estimable & (numerator > 0) & (denominator > 0) & (pure > 0)
    return _f_test(misfit, numerator, pure, denominator, possible)


def gain(simple: Curves, richer: Curves) -> FTest:
    """Test whether the terms that a richer curve adds explain more than chance would.

    Parameters
    ----------
    simple, richer : Curves
        Fits of the same points, the second of a higher degree.

    Returns
    -------
    FTest
        Impossible where the richer curve is not estimable or leaves no degree of freedom.

    Raises
    ------
    ValueError
        If the second is not of a higher degree.

    References
    ----------
    N. R. Draper and H. Smith, Applied Regression Analysis: extra sum of squares.
    """
    if richer.degree <= simple.degree:
        raise ValueError("richer: its degree must be above that of the simple curve")
    groups = Groups(simple.points.counts)
    largest = groups.highest(np.abs(simple.points.reading))
    floor = simple.points.counts * (_ROUNDING * largest) ** 2
    added = np.full(len(floor), richer.degree - simple.degree)
    misfit = np.maximum(simple.residual_square - richer.residual_square, 0.0)
    misfit = np.where(simple.residual_square > floor, misfit, 0.0)
    possible = richer.estimable & (richer.degrees_of_freedom > 0)
    rest = np.maximum(richer.residual_square, floor)
    return _f_test(misfit, added, rest, richer.degrees_of_freedom, possible)


def _f_test(
    misfit: Floats, numerator: Ints, rest: Floats, denominator: Ints, possible: Bools
) -> FTest:
    from scipy.special import fdtrc

    above, below = np.maximum(numerator, 1), np.maximum(denominator, 1)
    mean_square = rest / below
    safe = np.where(possible & (mean_square > 0), mean_square, 1.0)
    f = np.where(possible, np.minimum(misfit / above / safe, F_LIMIT), 0.0)
    return FTest(
        f=f,
        p=np.where(possible, fdtrc(above, below, f), 1.0),
        numerator_dof=np.maximum(numerator, 0),
        denominator_dof=np.maximum(denominator, 0),
        denominator_sd=np.sqrt(np.where(denominator > 0, mean_square, 0.0)),
        possible=possible,
    )


def _distance(line: Curves, curve: Curves) -> Floats:
    """Largest distance [reading] of a curve from the line at the calibration's own loads."""
    groups = Groups(line.points.counts)
    inside = np.arange(int(groups.counts.max()))[None, :] < groups.counts[:, None]
    load = np.repeat(line.points.load[groups.starts][:, None], inside.shape[1], axis=1)
    load[inside] = line.points.load
    apart = np.abs(evaluate(curve, load)[0] - evaluate(line, load)[0])
    return np.asarray(apart.max(axis=1))
