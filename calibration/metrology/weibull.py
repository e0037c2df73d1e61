"""How long things stay in tolerance, by a Weibull law fitted to censored times."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.turnbull import Outcomes

Floats = NDArray[np.float64]

METHOD = "weibull/1"
SHAPES = (0.2, 20.0)  # beyond these the data do not determine the law; our choice
_STEPS = 200
_HALVINGS = 40
_STILL = 1e-12
_FAR = 5.0  # a |ln shape| of more is a law that runs away


@dataclass(frozen=True)
class Weibull:
    """In-tolerance probability ``exp(-(t / scale)^shape)``.

    Attributes
    ----------
    shape, u_shape : float [1]
    scale, u_scale : float [d]
    covariance : (2, 2) array
        Of (ln scale, ln sigma), sigma = 1 / shape.
    log_likelihood : float
    converged : bool
        False where the data do not determine the law (no one left tolerance, all at once, or a
        shape outside 0.2 to 20); the numbers must then not be used.
    """

    shape: float
    u_shape: float
    scale: float
    u_scale: float
    covariance: Floats
    log_likelihood: float
    converged: bool


def fit_weibull(outcomes: Outcomes, fixed_shape: float | None = None) -> Weibull:
    """Fit a Weibull law by maximum likelihood.

    Parameters
    ----------
    outcomes : Outcomes
        Exact, left-, right- and interval-censored times in any mixture; exact times above 0.
    fixed_shape : float, optional [1]
        Fit the scale alone, with this shape (1: an exponential law). Its uncertainty is then 0.

    Returns
    -------
    Weibull

    Raises
    ------
    ValueError
        If an exact time, or a fixed shape, is not above zero.

    Notes
    -----
    Newton's method on (ln scale, ln sigma), damped until the likelihood rises, from the scale
    that an exponential law would have. Standard uncertainties from the observed information;
    those of shape and scale by first-order propagation from the logarithms.

    References
    ----------
    W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (1998), chapter 8.
    NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.2 and 8.4.1.3.
    """
    exact = outcomes.lower == outcomes.upper
    if (outcomes.upper[exact] <= 0).any():
        raise ValueError("upper: an exact time is above zero")
    if fixed_shape is not None and not fixed_shape > 0:
        raise ValueError("fixed_shape: above zero")
    law, free = _Likelihood(outcomes), 2 if fixed_shape is None else 1
    place, moved = law.start(1.0 if fixed_shape is None else fixed_shape), False
    if np.isfinite(outcomes.upper).any():
        place, moved = _climb(law, place, free)
    value, _, bend = law.at(place)
    shape, scale = float(np.exp(-place[1])), float(np.exp(place[0]))
    covariance, proper = _covariance(-bend, free)
    u = np.sqrt(np.diag(covariance))
    return Weibull(
        shape=shape,
        u_shape=shape * float(u[1]),
        scale=scale,
        u_scale=scale * float(u[0]),
        covariance=covariance,
        log_likelihood=value,
        converged=moved and proper and SHAPES[0] <= shape <= SHAPES[1],
    )


def in_tolerance(law: Weibull, time: Floats) -> tuple[Floats, Floats]:
    """Return the in-tolerance probability at (T,) times [d] and its standard uncertainty."""
    at = np.asarray(time, dtype=np.float64)
    log_time = np.log(np.where(at > 0, at, 1.0))
    z = law.shape * (log_time - np.log(law.scale))
    hazard = np.where(at > 0, np.exp(np.minimum(z, 700.0)), 0.0)
    gradient = np.stack([-law.shape * np.ones_like(z), -z], axis=-1)
    u_z = np.sqrt(np.einsum("ti,ij,tj->t", gradient, law.covariance, gradient))
    return np.exp(-hazard), np.exp(-hazard) * hazard * u_z


def time_to_reliability(law: Weibull, reliability: float) -> tuple[float, float]:
    """Return the time [d] at which the in-tolerance probability has sunk to a value.

    Parameters
    ----------
    law : Weibull
    reliability : float
        Between 0 and 1.

    Returns
    -------
    time : float [d]
    u_log_time : float
        Standard uncertainty of its logarithm: ``time * exp(-z u)`` is a lower bound.

    Raises
    ------
    ValueError
        If the reliability does not lie between 0 and 1.

    References
    ----------
    W. Q. Meeker and L. A. Escobar (1998), chapter 8: quantiles on the
    logarithmic scale.
    """
    if not 0.0 < reliability < 1.0:
        raise ValueError(f"reliability: between 0 and 1, not {reliability}")
    quantile = float(np.log(-np.log(reliability)))
    gradient = np.array([1.0, quantile / law.shape])
    variance = float(gradient @ law.covariance @ gradient)
    return law.scale * float(np.exp(quantile / law.shape)), float(np.sqrt(max(variance, 0.0)))


def earliest_time(
    law: Weibull, outcomes: Outcomes, reliability: float, confidence: float
) -> float:
    """Return the one-sided lower confidence bound of the time to a reliability.

    Parameters
    ----------
    law : Weibull
        Fitted to the outcomes; its shape is taken as known if its uncertainty is 0.
    outcomes : Outcomes
    reliability, confidence : float
        Between 0 and 1.

    Returns
    -------
    float [d]
        The earliest time that the likelihood ratio does not reject. It covers as said where the
        bound from the standard uncertainty falls short by some points (moderate samples).

    References
    ----------
    W. Q. Meeker and L. A. Escobar (1998), chapter 8: profile likelihood of a
    quantile.
    """
    from scipy.optimize import brentq, minimize_scalar
    from scipy.special import ndtri

    time, u_log = time_to_reliability(law, reliability)
    likelihood, free = _Likelihood(outcomes), law.u_shape > 0
    quantile, eta = float(np.log(-np.log(reliability))), -float(np.log(law.shape))
    drop = float(ndtri(confidence)) ** 2 / 2.0

    def minus_log(at: float, log_time: float) -> float:
        place = np.array([log_time - np.exp(at) * quantile, at])
        return -likelihood.at(place)[0]

    def above(log_time: float) -> float:
        best = minus_log(eta, log_time)
        if free:
            found = minimize_scalar(
                minus_log, bounds=(-_FAR, _FAR), args=(log_time,), method="bounded"
            )
            best = min(best, float(found.fun))
        return law.log_likelihood - drop + best

    far = float(np.log(time)) - 10.0 * max(u_log, 1e-6)
    if above(far) < 0:
        return float(np.exp(far))
    return float(np.exp(brentq(above, far, float(np.log(time)), xtol=1e-10)))


def _covariance(information: Floats, free: int) -> tuple[Floats, bool]:
    """Invert the information of the free parameters; False where it says nothing of one."""
    covariance = np.zeros((2, 2))
    sizes = np.linalg.eigvalsh(information[:free, :free])
    proper = bool(sizes[0] > 1e-9 * max(float(sizes[-1]), 0.0))
    if proper:
        covariance[:free, :free] = np.linalg.inv(information[:free, :free])
    return covariance, proper


def _climb(law: "_Likelihood", place: Floats, free: int) -> tuple[Floats, bool]:
    """Climb to the maximum over the first parameters; True where the climb came to rest."""
    for _ in range(_STEPS):
        value, slope, bend = law.at(place)
        information = -bend[:free, :free]
        lowest = float(np.linalg.eigvalsh(information).min())
        ridge = 1e-3 * law.total - lowest if lowest <= 0 else 0.0
        step = np.zeros(2)
        step[:free] = np.linalg.solve(information + ridge * np.eye(free), slope[:free])
        step = step / max(1.0, float(np.abs(step).max()))
        for _ in range(_HALVINGS):
            if law.at(place + step)[0] >= value - _STILL * abs(value):
                break
            step = step / 2.0
        place = place + step
        if abs(place[1]) > _FAR or np.abs(step).max() < _STILL:
            return place, bool(abs(place[1]) <= _FAR)
    return place, False


class _Likelihood:
    """Log-likelihood of (mu, eta) = (ln scale, ln sigma) with its first two derivatives."""

    def __init__(self, outcomes: Outcomes) -> None:
        self.weight = outcomes.weight
        self.total = float(outcomes.weight.sum())
        self.exact = outcomes.lower == outcomes.upper
        self.begun = outcomes.lower > 0
        self.ended = np.isfinite(outcomes.upper)
        self.log_lower = np.log(np.where(self.begun, outcomes.lower, 1.0))
        self.log_upper = np.log(np.where(self.ended, outcomes.upper, 1.0))

    def start(self, shape: float) -> Floats:
        """Return a place to begin: the scale of an exponential law, and the shape given."""
        lower, upper = np.exp(self.log_lower) * self.begun, np.exp(self.log_upper)
        middle = np.where(self.ended, (lower + upper) / 2.0, lower)
        left = max(float(np.sum(self.weight * self.ended)), 0.5)
        return np.array(
            [np.log(max(float(np.sum(self.weight * middle)), 1e-6) / left), -np.log(shape)]
        )

    def at(self, place: Floats) -> tuple[float, Floats, Floats]:
        """Return value, gradient (2,) and Hessian (2, 2)."""
        sigma = float(np.exp(place[1]))
        low, high = (self.log_lower - place[0]) / sigma, (self.log_upper - place[0]) / sigma
        value, d_low, d_high, bends = self._by_z(low, high)
        if self.exact.any():
            value = value - self.exact * (place[1] + self.log_upper)
        w = self.weight
        along = -(d_low * low + d_high * high)
        slope = np.array([-np.sum(w * (d_low + d_high)) / sigma, np.sum(w * along)])
        slope[1] -= np.sum(w * self.exact)
        a, b, c = bends
        mu_mu = np.sum(w * (a + 2.0 * b + c)) / sigma**2
        cross = (a * low + b * (low + high) + c * high) + d_low + d_high
        mu_eta = np.sum(w * cross) / sigma
        both = a * low**2 + 2.0 * b * low * high + c * high**2
        eta_eta = np.sum(w * (both + d_low * low + d_high * high))
        return float(np.sum(w * value)), slope, np.array([[mu_mu, mu_eta], [mu_eta, eta_eta]])

    def _by_z(
        self, low: Floats, high: Floats
    ) -> tuple[Floats, Floats, Floats, tuple[Floats, Floats, Floats]]:
        """Each outcome's log-likelihood and its derivatives by its two standardised ends."""
        hazard_low = np.where(self.begun, np.exp(np.minimum(low, 700.0)), 0.0)
        hazard_high = np.where(self.ended, np.exp(np.minimum(high, 700.0)), 0.0)
        between = np.where(self.ended & ~self.exact, hazard_high - hazard_low, 1.0)
        # ln(S(low) - S(high)) = -H(low) + ln(1 - exp(-(H(high) - H(low))))
        odds = np.where(self.ended & ~self.exact, 1.0 / np.expm1(np.minimum(between, 700.0)), 0.0)
        value = np.where(self.ended, np.log(-np.expm1(-between)), 0.0) - hazard_low
        value = np.where(self.exact, high - hazard_high, value)
        inside = self.ended & ~self.exact
        d_low = np.where(self.exact, 0.0, -hazard_low * (1.0 + odds))
        d_high = np.where(self.exact, 1.0 - hazard_high, hazard_high * odds)
        bend = odds * (1.0 + odds)  # minus the derivative of the odds by `between`
        a = np.where(self.exact, 0.0, d_low - np.where(inside, bend, 0.0) * hazard_low**2)
        b = np.where(inside, bend * hazard_low * hazard_high, 0.0)
        c = np.where(inside, d_high - bend * hazard_high**2, 0.0)
        c = np.where(self.exact, -hazard_high, c)
        return value, d_low, d_high, (a, b, c)
