"""Time to settle, from a log of samples after a new setpoint was commanded."""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.padding import BoolArray, FloatArray, floats


@dataclass(frozen=True)
class Settling:
    """Time to settle of M logs.

    Attributes
    ----------
    seconds : ndarray, shape (M,)
        From the first sample until the value stays within the band [s]; inf if it does not.
    settled : ndarray of bool, shape (M,)
        It stayed within the band for at least the holding time before the log ended.
    """

    seconds: FloatArray
    settled: BoolArray


def settling(
    seconds: object, values: object, target: object, band: object, *, hold: float = 2.0
) -> Settling:
    """Return the time after which a logged value stays within a band about its target.

    Parameters
    ----------
    seconds, values : array_like, shape (M, n)
        Times, rising [s], and the values then [any unit]; NaN pads the end.
    target, band : array_like, broadcast to (M,)
        The value to settle at, and how near [same unit].
    hold : float
        For how long at the end of the log it must have stayed there [s].

    Returns
    -------
    Settling

    Raises
    ------
    ValueError
        If shapes disagree.
    """
    t = floats("seconds", seconds)
    v = floats("values", values, t.shape)
    goal, near = floats("target", target, t.shape[:1]), floats("band", band, t.shape[:1])
    used = np.isfinite(t) & np.isfinite(v)
    outside = used & (np.abs(np.where(used, v, 0.0) - goal[:, None]) > near[:, None])
    # The first sample that is followed by none outside.
    later_outside = np.logical_or.accumulate(outside[:, ::-1], axis=1)[:, ::-1]
    quiet = used & ~later_outside
    first = np.argmax(quiet, axis=1)
    start = np.where(used, t, np.inf).min(axis=1, initial=np.inf)
    end = np.where(used, t, -np.inf).max(axis=1, initial=-np.inf)
    there = quiet.any(axis=1)
    since = np.take_along_axis(t, first[:, None], axis=1)[:, 0] if t.shape[1] else start
    since = np.where(there, since, 0.0)
    held = there & (np.where(there, end, 0.0) - since >= hold)
    took = since - np.where(there, start, 0.0)
    return Settling(np.where(held, took, np.inf), held)
