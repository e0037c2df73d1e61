"""What the operator felt: the true load at each setpoint with last season's numbers in the cab."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.drift import LineState

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Felt:
    """True load, its error and the error's uncertainty, sensors by setpoints.

    Attributes
    ----------
    true_load, error, u_error : (N, S) arrays [N]
        ``error = true_load - setpoint``.
    """

    true_load: Floats
    error: Floats
    u_error: Floats


def at_setpoints(console: LineState, truth: LineState, setpoints: Floats) -> Felt:
    """Return the load that really bore on the ground while the cab showed each setpoint.

    Parameters
    ----------
    console : LineState
        The N pairs of numbers in the cab. Numbers that were typed are exact.
    truth : LineState
        The N new calibrations, whose uncertainty (the reference's included) is the answer's.
    setpoints : (N, S) array [N]

    Returns
    -------
    Felt

    Notes
    -----
    The machine presses until the cab shows the setpoint, so the reading is
    ``offset_console + slope_console * setpoint``; the new line turns it into the true load.
    First-order propagation with the covariance of the new slope and offset.
    """
    true_load = _true_load(console, truth, setpoints.T).T
    variance = (
        truth.u_offset[:, None] ** 2
        + 2.0 * true_load * truth.covariance[:, None]
        + (true_load * truth.u_slope[:, None]) ** 2
    ) / truth.slope[:, None] ** 2 + (true_load * truth.reference_pct[:, None] / 100.0) ** 2
    return Felt(true_load, true_load - setpoints, np.sqrt(np.maximum(variance, 0.0)))


def worst_error_pct(console: LineState, truth: LineState, setpoints: Floats) -> Floats:
    """Return the largest error that was felt at any setpoint, whichever way.

    Parameters
    ----------
    console, truth : LineState
        As in `at_setpoints`.
    setpoints : (S, N) array [N]
        One row a setpoint; NaN where a sensor has fewer.

    Returns
    -------
    (N,) array [% of the setpoint]
        NaN where there is no setpoint.
    """
    worst = np.full(len(truth.slope), np.nan)
    for setpoint in setpoints:
        error = np.abs(_true_load(console, truth, setpoint) - setpoint)
        np.fmax(worst, error / setpoint * 100.0, out=worst)
    return worst


def _true_load(console: LineState, truth: LineState, setpoint: Floats) -> Floats:
    """True load [N] at one setpoint each of N sensors, or at rows of them."""
    moved = console.offset - truth.offset
    return (moved + console.slope * setpoint) / truth.slope
