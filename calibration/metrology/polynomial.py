"""Curves through calibration points: quadratic and cubic fits, numerically sound."""

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.fit import Points
from calibration.metrology.groups import Groups, Levels

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

METHOD = "polynomial/1"
_PASSES = 3


@dataclass(frozen=True)
class Curves:
    """M fitted polynomials of one degree d, with the points that they came from.

    Attributes
    ----------
    points : Points
        The input; its uncertainties play no part, every reading counts alike.
    degree : int
        Degree d of the polynomial.
    centre, half_range : (M,) arrays [N]
        ``z = (load - centre) / half_range`` runs from -1 to 1 over the calibrated range.
    central : (M, d + 1) array [reading]
        Coefficients of the powers of z, lowest first: use these to evaluate.
    central_covariance : (M, d + 1, d + 1) array [reading^2]
    coefficients, u_coefficients : (M, d + 1) arrays [reading/N^j]
        Coefficients of the powers of the load, lowest first, with standard uncertainties.
    residual_square : (M,) array [reading^2]
        Sum of the squared residuals.
    residual_sd : (M,) array [reading]
        Its root over the degrees of freedom; 0 where there are none.
    degrees_of_freedom : (M,) array
    estimable : (M,) array of bool
        False where there are fewer than d + 1 distinct loads; the numbers are then zero.
    """

    points: Points
    degree: int
    centre: Floats
    half_range: Floats
    central: Floats
    central_covariance: Floats
    coefficients: Floats
    u_coefficients: Floats
    residual_square: Floats
    residual_sd: Floats
    degrees_of_freedom: Ints
    estimable: Bools


def fit_curves(points: Points, degree: int) -> Curves:
    """Fit one polynomial to each calibration by least squares.

    Parameters
    ----------
    points : Points
        The points of M calibrations.
    degree : int
        1 (line) to 5; the trade uses 2 and 3.

    Returns
    -------
    Curves

    Raises
    ------
    ValueError
        If the degree is not 1 to 5, a calibration has no points, or a value is not finite.

    Notes
    -----
    Loads are centred and scaled to -1..1, readings centred; the polynomials orthogonal on the
    calibration's own loads come from Forsythe's three-term recurrence, so that nothing is
    inverted, and the solution is refined twice on its own residuals. Powers of the load are
    formed at the end. Uncertainties take their scale from the residuals (the source leaves
    weights open; a cell's repeatability is one number over its range, so every reading counts
    alike).

    References
    ----------
    G. E. Forsythe, J. Soc. Indust. Appl. Math. 5 (1957) 74. NIST/SEMATECH
    e-Handbook of Statistical Methods, 4.6.1 (load cell).
    """
    _check(points, degree)
    groups = Groups(points.counts)
    distinct = Levels(groups, points.load, np.zeros(len(points.counts))).per_calibration
    estimable = np.asarray(distinct > degree)
    centre, half = _range(points, groups)
    basis = _Orthogonal(
        groups, (points.load - groups.spread(centre)) / groups.spread(half), degree
    )
    start = points.reading[groups.starts]
    amounts, rest = basis.project(points.reading - groups.spread(start))
    square = groups.total(rest**2) * estimable
    dof = np.maximum(points.counts - degree - 1, 0)
    mean_square = np.where(dof > 0, square / np.maximum(dof, 1), 0.0)
    central = np.einsum("mk,mkj->mj", amounts, basis.powers)
    central[:, 0] += start
    spread = mean_square[:, None] / basis.norms
    covariance = np.einsum("mki,mk,mkj->mij", basis.powers, spread, basis.powers)
    raw = _to_raw(centre, half, degree)
    raw_covariance = raw @ covariance @ raw.transpose(0, 2, 1)
    shown = estimable[:, None]
    return Curves(
        points=points,
        degree=degree,
        centre=centre,
        half_range=half,
        central=central * shown,
        central_covariance=covariance * shown[:, :, None],
        coefficients=np.einsum("mij,mj->mi", raw, central) * shown,
        u_coefficients=np.sqrt(np.einsum("mii->mi", raw_covariance).clip(0.0)) * shown,
        residual_square=square,
        residual_sd=np.sqrt(mean_square),
        degrees_of_freedom=dof,
        estimable=estimable,
    )


def evaluate(curves: Curves, load: Floats) -> tuple[Floats, Floats, Floats]:
    """Return reading, its standard uncertainty and slope of M curves at (M, R) loads.

    The uncertainty is that of the curve itself [reading]; a new reading adds its own scatter.
    """
    z = (load - curves.centre[:, None]) / curves.half_range[:, None]
    powers = z[..., None] ** np.arange(curves.degree + 1)
    reading = np.einsum("mrj,mj->mr", powers, curves.central)
    variance = np.einsum("mri,mij,mrj->mr", powers, curves.central_covariance, powers)
    steps = np.arange(1, curves.degree + 1) * powers[..., :-1]
    slope = np.einsum("mrj,mj->mr", steps, curves.central[:, 1:]) / curves.half_range[:, None]
    return reading, np.sqrt(variance.clip(0.0)), slope


def _range(points: Points, groups: Groups) -> tuple[Floats, Floats]:
    """Return middle and half width [N] of the calibrated range."""
    low, high = groups.lowest(points.load), groups.highest(points.load)
    return low + (high - low) / 2.0, np.where(high > low, (high - low) / 2.0, 1.0)


class _Orthogonal:
    """Polynomials orthogonal on each calibration's own loads (monic, Forsythe's recurrence)."""

    def __init__(self, groups: Groups, z: Floats, degree: int) -> None:
        self.groups = groups
        self.values = [np.ones_like(z)]
        self.norms = np.ones((len(groups.counts), degree + 1))
        self.powers = np.zeros((len(groups.counts), degree + 1, degree + 1))
        self.powers[:, 0, 0] = 1.0
        self.norms[:, 0] = groups.counts
        for k in range(degree):
            self._append(z, k)

    def _append(self, z: Floats, k: int) -> None:
        groups, last = self.groups, self.values[k]
        middle = groups.total(z * last**2) / self.norms[:, k]
        value = (z - groups.spread(middle)) * last
        power = np.roll(self.powers[:, k], 1, axis=1) - middle[:, None] * self.powers[:, k]
        for _ in range(2):  # the second time takes away what rounding left of the first
            for j, earlier in enumerate(self.values):
                part = groups.total(value * earlier) / self.norms[:, j]
                value = value - groups.spread(part) * earlier
                power = power - part[:, None] * self.powers[:, j]
        norm = groups.total(value**2)
        self.norms[:, k + 1] = np.where(norm > 0, norm, 1.0)
        self.powers[:, k + 1] = power
        self.values.append(value)

    def project(self, values: Floats) -> tuple[Floats, Floats]:
        """Return the amount of each polynomial in the values, (M, d + 1), and the rest, (P,)."""
        amounts, rest = np.zeros_like(self.norms), values
        for _ in range(_PASSES):
            for k, value in enumerate(self.values):
                part = self.groups.total(rest * value) / self.norms[:, k]
                amounts[:, k] += part
                rest = rest - self.groups.spread(part) * value
        return amounts, rest


def _to_raw(centre: Floats, half: Floats, degree: int) -> Floats:
    """Matrices that turn coefficients of powers of z into those of powers of the load."""
    raw = np.zeros((len(centre), degree + 1, degree + 1))
    for j in range(degree + 1):
        for i in range(j + 1):
            raw[:, i, j] = comb(j, i) * (-centre) ** (j - i) / half**j
    return raw


def _check(points: Points, degree: int) -> None:
    if not 1 <= degree <= 5:
        raise ValueError(f"degree: 1 to 5, not {degree}")
    if not (np.isfinite(points.load).all() and np.isfinite(points.reading).all()):
        raise ValueError("load, reading: every value must be finite")
