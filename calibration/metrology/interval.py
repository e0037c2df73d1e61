"""Recalibration interval: how long a target reliability lasts, from as-found outcomes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.turnbull import Outcomes, Survival, estimate_survival
from calibration.metrology.weibull import (
    Weibull,
    earliest_time,
    fit_weibull,
    time_to_reliability,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

METHOD = "interval/1"
FEWEST_OUTCOMES = 20  # as-found outcomes below which the default holds; our choice
FEWEST_BEYOND = 5  # of them out of tolerance; our choice
MOST_U_LOG_SHAPE = 0.5  # a Weibull shape less well known gives way to an exponential law
CONFIDENCE = 0.9


@dataclass(frozen=True)
class Interval:
    """A recalibration interval, with what it rests on.

    Attributes
    ----------
    days : float [d]
        The interval to use: the estimate, or the default; within the limits that were given.
    lower_days : float [d]
        One-sided lower confidence bound of the estimate; the default where there is none.
    estimate_days : float [d]
        The estimate as it is, before the limits; 0 where there is none.
    target : float [1]
        In-tolerance probability that is still to hold at the end.
    confidence : float [1]
        Of the lower bound.
    basis : str
        "weibull"; "exponential" where the outcomes do not tell the law's shape; or "default".
    reason : str
        Why, in one sentence.
    extrapolated : bool
        True where the estimate lies beyond the longest time that was observed.
    limited : bool
        True where a limit and not the estimate gave `days`.
    outcomes, beyond : int
        As-found outcomes, and how many were out of tolerance.
    law : Weibull or None
    survival : Survival or None
        The estimate without a model, to look at beside the law.
    """

    days: float
    lower_days: float
    estimate_days: float
    target: float
    confidence: float
    basis: str
    reason: str
    extrapolated: bool
    limited: bool
    outcomes: int
    beyond: int
    law: Weibull | None
    survival: Survival | None


def as_found_outcomes(
    days: Floats, in_tolerance: Bools, last_good_days: Floats | float = 0.0
) -> Outcomes:
    """Return what as-found calibrations say about when sensors left tolerance.

    Parameters
    ----------
    days : (N,) array [d]
        Time since the calibration whose numbers were in use.
    in_tolerance : (N,) array of bool
        True where the sensor was found within tolerance.
    last_good_days : (N,) array or float [d]
        For a sensor found out of tolerance: the time, since the same calibration, at which it
        was last found within; 0 where nobody looked.

    Returns
    -------
    Outcomes
        Found within: it leaves after `days`. Found out: it left in (last_good_days, days].

    Raises
    ------
    ValueError
        If a time is not above zero, or was good at or after the day on which it was found out.
    """
    days = np.asarray(days, dtype=np.float64)
    good = np.broadcast_to(np.float64(last_good_days), days.shape)
    if not np.isfinite(days).all() or (days <= 0).any():
        raise ValueError("days: finite and above zero")
    if (good < 0).any() or (good >= days)[~in_tolerance].any():
        raise ValueError("last_good_days: from zero up to, not including, days")
    return Outcomes(
        lower=np.where(in_tolerance, days, good),
        upper=np.where(in_tolerance, np.inf, days),
        weight=np.ones(len(days)),
    )


def recalibration_interval(
    outcomes: Outcomes,
    *,
    target: float,
    default_days: float,
    confidence: float = CONFIDENCE,
    shortest_days: float = 1.0,
    longest_days: float | None = None,
) -> Interval:
    """Return the time after which the in-tolerance probability sinks to a target.

    Parameters
    ----------
    outcomes : Outcomes
        As-found outcomes of one sensor model; may be empty.
    target : float [1]
        In-tolerance probability that is still to hold.
    default_days : float [d]
        The interval where the data are too few to say.
    confidence : float [1]
        Of the one-sided lower bound.
    shortest_days, longest_days : float [d]
        Limits of the interval; the longest is three times the default unless given.

    Returns
    -------
    Interval

    Raises
    ------
    ValueError
        If target or confidence do not lie between 0 and 1, or the limits are not in order.

    Notes
    -----
    The default holds with fewer than 20 outcomes or fewer than 5 out of tolerance. Where the
    outcomes do not tell the shape of the Weibull law (all were looked at after one and the same
    time, say: standard uncertainty of ln(shape) above 0.5), an exponential law takes its place:
    cautious when it shortens the interval, and not trusted to lengthen it beyond the longest
    time observed. These numbers are our choice: the sources ask for "sufficient" data. The
    limits exist because a law fitted to yearly visits knows nothing of the fifth year. The bound
    comes from the profile likelihood.

    References
    ----------
    ILAC-G24:2022 / OIML D 10:2022, 6.4 (calendar-time control charts and the statistics of
    in-tolerance shares; title and method from memory). NCSL International RP-1, method S2
    (target reliability from an in-tolerance law; from memory).
    """
    longest = 3.0 * default_days if longest_days is None else longest_days
    if not (0.0 < target < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError("target, confidence: between 0 and 1")
    if not 0.0 < shortest_days <= default_days <= longest:
        raise ValueError("days: shortest, default and longest must be above zero and in order")
    total, beyond = _counts(outcomes)
    survival = estimate_survival(outcomes) if total else None
    law, basis, reason = _law(outcomes, total, beyond)
    time, lower = float(default_days), float(default_days)
    if law is not None:
        time, _ = time_to_reliability(law, target)
        lower = earliest_time(law, outcomes, target, confidence)
    if basis == "exponential":
        longest = max(min(longest, _longest_seen(outcomes)), shortest_days)
    days = min(max(time, shortest_days), longest)
    return Interval(
        days=days,
        lower_days=min(lower, days),
        estimate_days=time if law is not None else 0.0,
        target=target,
        confidence=confidence,
        basis=basis,
        reason=reason,
        extrapolated=law is not None and time > _longest_seen(outcomes),
        limited=law is not None and days != time,
        outcomes=total,
        beyond=beyond,
        law=law,
        survival=survival,
    )


def _law(outcomes: Outcomes, total: int, beyond: int) -> tuple[Weibull | None, str, str]:
    """Fit the law that the outcomes can tell; name it, and say why."""
    rests_on = f"{total} as-found outcomes, {beyond} of them out of tolerance"
    if total < FEWEST_OUTCOMES or beyond < FEWEST_BEYOND:
        needed = f"{FEWEST_OUTCOMES}, with {FEWEST_BEYOND} out of tolerance, are needed"
        return None, "default", f"{rests_on}: {needed}. Default interval."
    law = fit_weibull(outcomes)
    if law.converged and np.sqrt(law.covariance[1, 1]) <= MOST_U_LOG_SHAPE:
        return law, "weibull", f"Weibull law of {rests_on}."
    law = fit_weibull(outcomes, fixed_shape=1.0)
    if law.converged:
        return law, "exponential", f"Exponential law of {rests_on}; they do not tell the shape."
    return None, "default", f"No law could be fitted to {rests_on}. Default interval."


def _counts(outcomes: Outcomes) -> tuple[int, int]:
    beyond = outcomes.weight[np.isfinite(outcomes.upper)].sum()
    return round(float(outcomes.weight.sum())), round(float(beyond))


def _longest_seen(outcomes: Outcomes) -> float:
    ends = np.where(np.isfinite(outcomes.upper), outcomes.upper, outcomes.lower)
    return float(ends.max())
