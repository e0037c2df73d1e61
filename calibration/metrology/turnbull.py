"""How long things stay in tolerance, without a model: Turnbull's estimate from intervals."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

METHOD = "turnbull/1"
_ROUNDS = 2000
_GAP = 1e-9
_NO_MASS = 1e-9
_HALVINGS = 30
_MOST = 5000  # intervals with mass, up to which the information matrix is held in memory


@dataclass(frozen=True)
class Outcomes:
    """N times of leaving tolerance, each known to lie in (lower, upper].

    Attributes
    ----------
    lower, upper : (N,) arrays [d]
        Equal: an exact time. ``lower`` 0: it had left by `upper`. ``upper`` infinite: it was
        still in tolerance at `lower`.
    weight : (N,) array
        How many sensors each outcome stands for.
    """

    lower: Floats
    upper: Floats
    weight: Floats


@dataclass(frozen=True)
class Survival:
    """In-tolerance probability against time; it falls within the S intervals and nowhere else.

    Attributes
    ----------
    left, right : (S,) arrays [d]
        Intervals (left, right] (a single time where they are equal) that carry probability.
    mass : (S,) array [1]
        The probability of leaving tolerance in each.
    survival, u_survival : (S,) arrays [1]
        In-tolerance probability after each interval, with its standard uncertainty.
    gap : float [1]
        How far, at most, the log-likelihood per outcome lies below its maximum.
    converged : bool
        True where the gap is below 1e-9.
    """

    left: Floats
    right: Floats
    mass: Floats
    survival: Floats
    u_survival: Floats
    gap: float
    converged: bool


def estimate_survival(outcomes: Outcomes) -> Survival:
    """Return the nonparametric maximum-likelihood estimate of the in-tolerance probability.

    Parameters
    ----------
    outcomes : Outcomes
        Exact, left-, right- and interval-censored times in any mixture.

    Returns
    -------
    Survival
        Exact and right-censored times alone give the Kaplan-Meier estimate.

    Raises
    ------
    ValueError
        If there are no outcomes, an interval is empty or negative, a weight is not above zero,
        or more than 5000 distinct times carry probability.

    Notes
    -----
    Self-consistency steps (EM) alternate with iterative convex minorant steps, each of the
    latter with a halving search, until the directional derivatives certify the maximum: the
    log-likelihood is then within `gap` per outcome. Uncertainties come from the observed
    information over the intervals that carry mass: Greenwood's formula for right-censored data,
    an approximation (often too small) where most times are interval-censored.

    References
    ----------
    B. W. Turnbull, J. R. Statist. Soc. B 38 (1976) 290. J. A. Wellner and Y. Zhan, J. Am. Stat.
    Assoc. 92 (1997) 945 (EM and ICM together). M. Greenwood (1926) by the information matrix.
    """
    _check(outcomes)
    left, right, first, last = _innermost(outcomes)
    fit = _Likelihood(first, last, outcomes.weight, len(left))
    mass = np.full(len(left), 1.0 / len(left))
    gap = np.inf
    for _ in range(_ROUNDS):
        derivative = fit.derivative(mass)
        gap = float(derivative.max() - 1.0)
        if gap < _GAP:
            break
        mass = _minorant_step(fit, mass * derivative)
    held = mass > (_NO_MASS if gap < _GAP else 0.0)
    mass = np.where(held, mass, 0.0)
    mass = mass / mass.sum()
    u_survival = _uncertainty(fit, mass, held)
    survival = np.clip(1.0 - np.cumsum(mass), 0.0, 1.0)
    return Survival(
        left[held], right[held], mass[held], survival[held], u_survival, gap, gap < _GAP
    )


def survival_at(estimate: Survival, time: Floats) -> tuple[Floats, Floats]:
    """Return lowest and highest in-tolerance probability that the estimate allows at (T,) times.

    Both are equal except within an interval, where the data do not say when it falls.
    """
    after = np.concatenate(([1.0], estimate.survival))
    exact = estimate.left == estimate.right
    begun = np.where(exact, estimate.left, np.nextafter(estimate.left, np.inf))
    lowest = after[np.searchsorted(begun, time, side="right")]
    highest = after[np.searchsorted(estimate.right, time, side="right")]
    return lowest, highest


class _Likelihood:
    """Outcomes as runs first..last over the innermost intervals, with weights adding to 1."""

    def __init__(self, first: Ints, last: Ints, weight: Floats, size: int) -> None:
        self.first, self.last, self.size = first, last, size
        self.weight = weight / weight.sum()
        self.total = float(weight.sum())

    def probability(self, mass: Floats) -> Floats:
        """Return the probability of each outcome."""
        below = np.concatenate(([0.0], np.cumsum(mass)))
        return np.asarray(below[self.last + 1] - below[self.first])

    def log(self, mass: Floats) -> float:
        """Return the mean log-likelihood; minus infinity where an outcome is impossible."""
        probability = self.probability(mass)
        if (probability <= 0).any():
            return -np.inf
        return float(np.sum(self.weight * np.log(probability)))

    def derivative(self, mass: Floats) -> Floats:
        """Return the derivative of the mean log-likelihood by each mass; at most 1 at the top."""
        return self._over_runs(self.weight / self.probability(mass))

    def by_cumulative(self, mass: Floats) -> tuple[Floats, Floats]:
        """Return first derivative and curvature (diagonal) by the cumulative probabilities."""
        probability = self.probability(mass)
        slope, bend = self.weight / probability, self.weight / probability**2
        up, down = self.last < self.size - 1, self.first > 0
        size = self.size - 1
        first = np.bincount(self.last[up], slope[up], minlength=size)
        first -= np.bincount(self.first[down] - 1, slope[down], minlength=size)
        second = np.bincount(self.last[up], bend[up], minlength=size)
        second += np.bincount(self.first[down] - 1, bend[down], minlength=size)
        return np.asarray(first, np.float64), np.asarray(second, np.float64)

    def information(self, mass: Floats) -> Floats:
        """Return the observed information of the masses, all as free."""
        bend = self.total * self.weight / self.probability(mass) ** 2
        corners = np.zeros((self.size + 1, self.size + 1))
        for a, b, sign in (
            (self.first, self.first, 1.0),
            (self.first, self.last + 1, -1.0),
            (self.last + 1, self.first, -1.0),
            (self.last + 1, self.last + 1, 1.0),
        ):
            np.add.at(corners, (a, b), sign * bend)
        return np.asarray(corners.cumsum(axis=0).cumsum(axis=1)[:-1, :-1])

    def _over_runs(self, values: Floats) -> Floats:
        start = np.bincount(self.first, values, minlength=self.size)
        stop = np.bincount(self.last + 1, values, minlength=self.size + 1)[: self.size]
        return np.asarray(np.cumsum(start - stop))


def _innermost(outcomes: Outcomes) -> tuple[Floats, Floats, Ints, Ints]:
    """Find Turnbull's innermost intervals, and which of them each outcome covers (a run)."""
    exact = outcomes.lower == outcomes.upper
    count = len(exact)
    value = np.concatenate([outcomes.lower, outcomes.upper])
    # at one time: an exact time begins, then intervals end, then open intervals begin
    rank = np.concatenate([np.where(exact, 0, 2), np.ones(count, dtype=np.int64)])
    order = np.lexsort((rank, value))
    ends = order >= count
    inner = ~ends[:-1] & ends[1:]
    left, right = value[order[:-1][inner]], value[order[1:][inner]]
    place = np.empty(2 * count, dtype=np.int64)
    place[order] = np.arange(2 * count)
    begins = np.flatnonzero(inner)
    first = np.searchsorted(begins, place[:count], side="left")
    last = np.searchsorted(begins, place[count:], side="left") - 1
    return left, right, first.astype(np.int64), last.astype(np.int64)


def _minorant_step(fit: _Likelihood, mass: Floats) -> Floats:
    """Take one convex minorant step on the cumulative probabilities, halved until it gains."""
    from scipy.optimize import isotonic_regression

    if fit.size < 2:
        return np.asarray(mass / mass.sum())
    first, second = fit.by_cumulative(mass)
    bend = np.maximum(second, 1e-12 * max(float(second.max()), 1.0))
    here = np.cumsum(mass)[:-1]
    target = np.asarray(isotonic_regression(here + first / bend, weights=bend).x)
    there = np.diff(np.concatenate(([0.0], np.clip(target, 0.0, 1.0), [1.0])))
    level, step = fit.log(mass), 1.0
    for _ in range(_HALVINGS):
        tried = mass + step * (there - mass)
        if fit.log(tried) >= level:
            return np.asarray(tried)
        step /= 2.0
    return mass


def _uncertainty(fit: _Likelihood, mass: Floats, held: NDArray[np.bool_]) -> Floats:
    """Return the standard uncertainty of the survival after each interval that carries mass."""
    size, upto = int(held.sum()), np.cumsum(held)
    if size > _MOST:
        raise ValueError(f"lower, upper: over {_MOST} times carry probability; use whole days")
    first = np.asarray((upto - held)[fit.first], dtype=np.int64)
    last = np.asarray(upto[fit.last] - 1, dtype=np.int64)
    information = _Likelihood(first, last, fit.total * fit.weight, size).information(mass[held])
    by_cumulative = np.diff(np.diff(information, axis=0), axis=1)
    try:
        covariance = np.linalg.inv(by_cumulative)
    except np.linalg.LinAlgError:  # flat in some direction: that direction says nothing
        covariance = np.linalg.pinv(by_cumulative, hermitian=True)
    return np.append(np.sqrt(np.diag(covariance).clip(0.0)), 0.0)


def _check(outcomes: Outcomes) -> None:
    lower, upper = outcomes.lower, outcomes.upper
    if not (len(lower) == len(upper) == len(outcomes.weight) > 0):
        raise ValueError("lower, upper, weight: of one length, and at least one outcome")
    if not np.isfinite(lower).all() or (lower < 0).any():
        raise ValueError("lower: finite and not negative")
    if not (upper >= lower).all() or (upper <= 0).any():
        raise ValueError("upper: not below lower, and above zero")
    if not np.isfinite(outcomes.weight).all() or (outcomes.weight <= 0).any():
        raise ValueError("weight: finite and above zero")
