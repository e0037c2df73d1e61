"""Functional tests: whether the displayed force arrives at each setpoint, and how it rides.

References
----------
The five criteria (force arrives, ripple small, pressure settles higher at the higher setpoint,
no bouncing, no lifting) are common practice of the trade, no source.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from calibration.metrology.padding import BoolArray, FloatArray, IntArray, floats, total

METHOD = "functional/1"

STEADY, BOUNCING, LIFTING = 0, 1, 2

# Ripple that is accepted by default: half of maximum - minimum, relative to the setpoint [1].
RIPPLE = 0.25

# Part of the higher pressure by which it must have risen to count as higher [1].
PRESSURE_RESOLUTION = 1e-6

FINDINGS: tuple[tuple[str, bool, str], ...] = (
    # code, fails the test, what it says
    ("error_beyond", True, "At one setpoint or more the displayed force does not arrive."),
    ("bouncing", True, "The units bounce: too little force, or it changes too fast."),
    ("lifting", True, "The frame lifts: more force than the machine's weight can give."),
    (
        "pressure_not_rising",
        True,
        "The circuit pressure does not settle higher at the higher setpoint: a valve or a leak.",
    ),
    ("ripple", True, "The displayed force swings too widely about its mean."),
    ("not_settled", True, "The displayed force had not settled when the log ended."),
    ("too_few_setpoints", True, "A functional test needs two different setpoints or more."),
    (
        "proportional_error",
        False,
        "The error grows with the setpoint: the slope in the console is probably wrong.",
    ),
    (
        "constant_error",
        False,
        "The error is the same at all setpoints: the zero in the console is probably wrong.",
    ),
)
FINDING_CODES: tuple[str, ...] = tuple(code for code, _, _ in FINDINGS)


@dataclass(frozen=True)
class Steps:
    """Steps of M functional tests, padded to p columns; NaN where a value was not taken.

    Attributes
    ----------
    commanded, displayed_mean : ndarray, shape (M, p)
        [N]; NaN in `commanded` marks a column that is not used.
    displayed_min, displayed_max : ndarray, shape (M, p), optional
        [N].
    pressure : ndarray, shape (M, p), optional
        Circuit pressure, settled [kPa].
    observed : ndarray of int, shape (M, p), optional
        STEADY, BOUNCING or LIFTING.
    settled : ndarray of bool, shape (M, p), optional
        False where a log of samples shows that the force did not settle (module `settling`).
    """

    commanded: FloatArray
    displayed_mean: FloatArray
    displayed_min: FloatArray | None = None
    displayed_max: FloatArray | None = None
    pressure: FloatArray | None = None
    observed: IntArray | None = None
    settled: BoolArray | None = None


@dataclass(frozen=True)
class FunctionalJudgement:
    """Judgements of M functional tests.

    Attributes
    ----------
    error : ndarray, shape (M, p)
        Displayed minus commanded force [N]; 0 in unused columns.
    error_pct : ndarray, shape (M, p)
        The same relative to the setpoint [%].
    beyond : ndarray of bool, shape (M, p)
        The error exceeds the tolerance.
    worst_error_pct : ndarray, shape (M,)
        The error that uses most of its tolerance, signed [%].
    findings : ndarray of bool, shape (M, len(FINDINGS))
        What was found.
    passed : ndarray of bool, shape (M,)
        No finding that fails the test.
    """

    error: FloatArray
    error_pct: FloatArray
    beyond: BoolArray
    worst_error_pct: FloatArray
    findings: BoolArray
    passed: BoolArray


def setpoint_tolerance(
    commanded: FloatArray, slope_tolerance_pct: FloatArray, offset_tolerance: FloatArray
) -> FloatArray:
    """Return the error that a cell just inside both tolerances may show at each setpoint.

    Parameters
    ----------
    commanded : ndarray, shape (M, p)
        Setpoints [N].
    slope_tolerance_pct : ndarray, shape (M,)
        [%].
    offset_tolerance : ndarray, shape (M,)
        [N].

    Returns
    -------
    ndarray, shape (M, p)
        ``offset_tolerance + slope_tolerance * commanded``, the worst of both together [N].
    """
    slope = np.asarray(slope_tolerance_pct, dtype=np.float64)[:, None] / 100.0
    return np.asarray(
        np.asarray(offset_tolerance, dtype=np.float64)[:, None] + slope * np.abs(commanded)
    )


def judge(steps: Steps, tolerance: object, *, ripple: object = RIPPLE) -> FunctionalJudgement:
    """Judge M functional tests.

    Parameters
    ----------
    steps : Steps
        What was commanded and seen.
    tolerance : array_like, broadcast to (M, p)
        Error that is accepted at each setpoint [N].
    ripple : array_like, broadcast to (M, p)
        Half of maximum minus minimum that is accepted, relative to the setpoint [1].

    Returns
    -------
    FunctionalJudgement

    Raises
    ------
    ValueError
        If shapes disagree, a used setpoint is not above 0, or a used mean is not finite.

    Notes
    -----
    `proportional_error` and `constant_error` are given where an error is beyond tolerance and
    two setpoints are there: the errors are fitted by one number, as a share of the setpoint and
    as a constant, and the better fit is named if it leaves less than a third of the tolerance.
    """
    commanded, used, mean = _checked(steps)
    shape = commanded.shape
    limit = floats("tolerance", tolerance, shape)
    error = np.where(used, mean - commanded, 0.0)
    beyond = used & (np.abs(error) > limit)
    observed = floats("observed", STEADY if steps.observed is None else steps.observed, shape)
    proportional, constant = _pattern(commanded, error, limit, used)
    several = _distinct(commanded, used)
    found = {
        "error_beyond": beyond.any(axis=1),
        "bouncing": (used & (observed == BOUNCING)).any(axis=1),
        "lifting": (used & (observed == LIFTING)).any(axis=1),
        "pressure_not_rising": _pressure_falls(
            commanded, _given(steps.pressure, shape, "pressure"), used
        ),
        "ripple": _ripples(steps, commanded, used, floats("ripple", ripple, shape)),
        "not_settled": _unsettled(steps, used),
        "too_few_setpoints": ~several,
        "proportional_error": beyond.any(axis=1) & several & proportional,
        "constant_error": beyond.any(axis=1) & several & constant,
    }
    findings = np.stack([found[code] for code in FINDING_CODES], axis=1)
    failing = np.array([fails for _, fails, _ in FINDINGS])
    error_pct = 100.0 * error / commanded
    share = np.abs(error) / np.where(limit > 0.0, limit, np.finfo(np.float64).tiny)
    worst = np.argmax(np.where(used, share, -1.0), axis=1)
    return FunctionalJudgement(
        error=error,
        error_pct=error_pct,
        beyond=beyond,
        worst_error_pct=np.take_along_axis(error_pct, worst[:, None], axis=1)[:, 0],
        findings=findings,
        passed=~(findings & failing).any(axis=1),
    )


def findings_of(row: BoolArray) -> list[dict[str, Any]]:
    """Return the findings of one test as a list of `code`, `says`, `fails`."""
    return [
        {"code": code, "says": says, "fails": fails}
        for found, (code, fails, says) in zip(row, FINDINGS, strict=True)
        if found
    ]


def _checked(steps: Steps) -> tuple[FloatArray, BoolArray, FloatArray]:
    commanded = floats("commanded", steps.commanded)
    if commanded.ndim != 2 or commanded.shape[1] == 0:
        message = f"commanded: shape {commanded.shape} is not (tests, steps)"
        raise ValueError(message)
    used = ~np.isnan(commanded)
    if not (np.isfinite(commanded[used]) & (commanded[used] > 0.0)).all():
        raise ValueError("commanded: a setpoint must be above 0")
    mean = floats("displayed_mean", steps.displayed_mean, commanded.shape)
    if not np.isfinite(mean[used]).all():
        raise ValueError("displayed_mean: a value that is used is not finite")
    return np.where(used, commanded, 1.0), used, np.where(used, mean, 0.0)


def _given(values: FloatArray | None, shape: tuple[int, ...], name: str) -> FloatArray:
    return np.full(shape, np.nan) if values is None else floats(name, values, shape)


def _distinct(commanded: FloatArray, used: BoolArray) -> BoolArray:
    """Return whether two different setpoints are there."""
    high = np.where(used, commanded, -np.inf).max(axis=1)
    low = np.where(used, commanded, np.inf).min(axis=1)
    return np.asarray(high > low)


def _pressure_falls(commanded: FloatArray, pressure: FloatArray, used: BoolArray) -> BoolArray:
    """Return whether any higher setpoint settled at no higher pressure."""
    known = used & np.isfinite(pressure)
    level = np.where(known, pressure, 0.0)
    higher = commanded[:, :, None] > commanded[:, None, :]
    both = known[:, :, None] & known[:, None, :]
    rise = level[:, :, None] - level[:, None, :]
    enough = rise > PRESSURE_RESOLUTION * np.abs(level[:, :, None])
    return np.asarray((higher & both & ~enough).any(axis=(1, 2)))


def _ripples(
    steps: Steps, commanded: FloatArray, used: BoolArray, ripple: FloatArray
) -> BoolArray:
    low = _given(steps.displayed_min, commanded.shape, "displayed_min")
    high = _given(steps.displayed_max, commanded.shape, "displayed_max")
    half = 0.5 * (high - low)
    known = used & np.isfinite(half)
    return np.asarray((known & (np.where(known, half, 0.0) > ripple * commanded)).any(axis=1))


def _unsettled(steps: Steps, used: BoolArray) -> BoolArray:
    if steps.settled is None:
        return np.zeros(used.shape[0], dtype=bool)
    return np.asarray((used & ~np.asarray(steps.settled, dtype=bool)).any(axis=1))


def _pattern(
    commanded: FloatArray, error: FloatArray, limit: FloatArray, used: BoolArray
) -> tuple[BoolArray, BoolArray]:
    """Return whether the errors are one share of the setpoint, or one constant."""
    weight = used.astype(np.float64)
    share = total(weight * commanded * error) / total(weight * commanded**2)
    shift = total(weight * error) / np.maximum(total(weight), 1.0)
    left = [
        np.where(used, np.abs(error - fitted) / np.maximum(limit, 1e-300), 0.0).max(axis=1)
        for fitted in (share[:, None] * commanded, shift[:, None])
    ]
    third = 1.0 / 3.0
    proportional = (left[0] <= third) & (left[0] < left[1])
    constant = (left[1] <= third) & (left[1] < left[0])
    return proportional, constant
