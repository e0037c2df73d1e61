"""The day on which a drifting quantity leaves its tolerance: expected, and at the earliest."""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.padding import FloatArray, floats, normal_quantile


@dataclass(frozen=True)
class Crossing:
    """When a drifting quantity leaves its tolerance.

    Attributes
    ----------
    expected, earliest : ndarray, shape (N,)
        Days from the last calibration [day]; 0 where it is outside already, inf for never.
        `earliest` is the first day on which the probability of being outside on one side
        exceeds ``1 - confidence``.
    confidence : float
        One-sided confidence of `earliest` [1].
    """

    expected: FloatArray
    earliest: FloatArray
    confidence: float


def crossing(  # noqa: PLR0913 - columns of one table of sensors, all but three optional
    level: object,
    rate: object,
    tolerance: object,
    *,
    u_level: object = 0.0,
    u_rate: object = 0.0,
    covariance: object = 0.0,
    walk: object = 0.0,
    confidence: float = 0.95,
) -> Crossing:
    """Return the day on which a level leaves -tolerance..tolerance, expected and at the earliest.

    Parameters
    ----------
    level : array_like, shape (N,)
        Where it stands at the last calibration, from its reference value [any unit].
    rate : array_like, broadcast to (N,)
        Drift rate [unit of level / day].
    tolerance : array_like, broadcast to (N,)
        Greatest change that is accepted, above 0 [unit of level].
    u_level, u_rate : array_like, broadcast to (N,)
        Standard uncertainties [unit of level], [unit of level / day]. An infinite one (a trend
        that is not bounded) is left out of account: look at `Trend.bounded` first.
    covariance : array_like, broadcast to (N,)
        Of level and rate, not negative; `Trend.covariance` [unit of level ^2 / day].
    walk : array_like, broadcast to (N,)
        Variance per day of the sensor's own random walk [unit of level ^2 / day].
    confidence : float
        One-sided confidence of the earliest day [1].

    Returns
    -------
    Crossing

    Raises
    ------
    ValueError
        If a tolerance is not positive, an uncertainty negative, or the confidence not in [0.5, 1).

    Notes
    -----
    Expected: ``T = (tolerance sign(rate) - level) / rate``. Earliest: the smallest T >= 0 with
    ``tolerance - s (level + rate T) = z sqrt(u_level^2 + (walk + 2 covariance) T + u_rate^2 T^2)``
    on either side s = +-1, a quadratic in T.
    """
    level = floats("level", level)
    rate, tolerance, u_level, u_rate, covariance, walk = (
        floats(name, values, level.shape)
        for name, values in (
            ("rate", rate),
            ("tolerance", tolerance),
            ("u_level", u_level),
            ("u_rate", u_rate),
            ("covariance", covariance),
            ("walk", walk),
        )
    )
    noise = {"u_level": u_level, "u_rate": u_rate, "covariance": covariance, "walk": walk}
    _check_crossing(tolerance, noise, confidence)
    z = normal_quantile(confidence)
    u_level, u_rate = (np.where(np.isfinite(u), u, 0.0) for u in (u_level, u_rate))
    walk = walk + 2.0 * covariance
    outside = np.abs(level) >= tolerance
    moving = rate != 0.0
    with np.errstate(over="ignore"):  # a rate of 1e-300 crosses after inf days: never
        ahead = (tolerance * np.sign(rate) - level) / np.where(moving, rate, 1.0)
    expected = np.where(outside, 0.0, np.where(moving, ahead, np.inf))
    sides = [
        _first_day(tolerance - side * level, side * rate, z, (u_level, u_rate, walk))
        for side in (1.0, -1.0)
    ]
    earliest = np.where(outside, 0.0, np.minimum(*sides))
    return Crossing(expected, np.minimum(earliest, expected), confidence)


def _check_crossing(tolerance: FloatArray, noise: dict[str, FloatArray], level: float) -> None:
    if not (tolerance > 0.0).all():
        raise ValueError("tolerance: must be above 0")
    for name, values in noise.items():
        if not (values >= 0.0).all():
            message = f"{name}: must not be negative"
            raise ValueError(message)
    if not 0.5 <= level < 1.0:
        message = f"confidence: {level} is not in [0.5, 1)"
        raise ValueError(message)


def _first_day(
    room: FloatArray, rate: FloatArray, z: float, noise: tuple[FloatArray, FloatArray, FloatArray]
) -> FloatArray:
    """Return the smallest T >= 0 with room - rate T = z sqrt(u^2 + walk T + u_rate^2 T^2)."""
    u_level, u_rate, walk = noise
    square = (rate - z * u_rate) * (rate + z * u_rate)
    half = room * rate + 0.5 * z * z * walk
    constant = room * room - (z * u_level) ** 2
    root = np.sqrt(np.maximum(half * half - square * constant, 0.0))
    # T = (half - root) / square, written so that nothing cancels where half > 0.
    down, bent = half + root, square < 0.0
    with np.errstate(over="ignore"):  # a day too far to be written is inf: never
        forward = np.where(down > 0.0, constant / np.where(down > 0.0, down, 1.0), np.inf)
        backward = np.where(bent, (half - root) / np.where(bent, square, 1.0), np.inf)
    day = np.where(half > 0.0, forward, backward)
    real = half * half - square * constant >= 0.0
    day = np.where(real & (day >= 0.0), day, np.inf)
    return np.where((constant <= 0.0) | (room <= 0.0), 0.0, day)
