"""Lots: the share out of tolerance of each, with an exact interval, against its siblings."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

METHOD = "lots/1"
FALSE_DISCOVERY_RATE = 0.05
LEVEL = 0.95
_BLOCK = 2_000_000  # terms of hypergeometric tails held in memory at once


@dataclass(frozen=True)
class LotShares:
    """L lots, each against the other lots of its sensor model.

    Attributes
    ----------
    beyond, total : (L,) arrays
        Sensors out of tolerance, and sensors judged.
    share, lower, upper : (L,) arrays [1]
        Share out of tolerance with its exact interval; 0 to 1 where none was judged.
    level : float
        Of the interval.
    siblings_share : (L,) array [1]
        Share out of tolerance of all other lots of the model; 0 where there are none.
    p : (L,) array [1]
        Probability of so many or more in this lot, if it were like its siblings.
    q : (L,) array [1]
        The same, adjusted for the number of lots looked at; 1 where not testable.
    testable : (L,) array of bool
        False where the lot or all its siblings are empty.
    worse : (L,) array of bool
        True where q is not above the false discovery rate.
    false_discovery_rate : float
    """

    beyond: Ints
    total: Ints
    share: Floats
    lower: Floats
    upper: Floats
    level: float
    siblings_share: Floats
    p: Floats
    q: Floats
    testable: Bools
    worse: Bools
    false_discovery_rate: float


def surest(p_slope: Floats, p_offset: Floats) -> Floats:
    """Return how sure it is that sensors are out of one tolerance or the other, (N,) [1]."""
    return np.asarray(np.fmax(np.fmax(p_slope, p_offset), 0.0))


def until_out(sensor: Ints, beyond: Bools) -> tuple[Ints, Ints, Ints]:
    """Count looks up to and including the one at which a sensor was first found out.

    Parameters
    ----------
    sensor, beyond : (M,) arrays
        Of each look, by sensor and time: the sensor's key, and whether it was found out.

    Returns
    -------
    sensor, looks, first_out : (N,) arrays
        Of each sensor: its key, its looks, and where among all looks that one stands, or -1.
    """
    which, start, looked = np.unique(sensor, return_index=True, return_counts=True)
    outs = np.flatnonzero(beyond)
    out, first = np.unique(sensor[outs], return_index=True)
    whose = np.searchsorted(which, out)
    first_out = np.full(len(which), -1, dtype=np.int64)
    first_out[whose] = outs[first]
    return which, np.where(first_out < 0, looked, first_out - start + 1), first_out


def compare_lots(
    beyond: Ints,
    total: Ints,
    model: Ints,
    *,
    level: float = LEVEL,
    false_discovery_rate: float = FALSE_DISCOVERY_RATE,
) -> LotShares:
    """Compare the share out of tolerance of each lot with the other lots of its model.

    Parameters
    ----------
    beyond, total : (L,) arrays
        Sensors out of tolerance, and sensors judged, of each (model, lot).
    model : (L,) array
        Number of the sensor model of each lot.
    level : float
        Of the exact interval.
    false_discovery_rate : float
        Expected share of wrong alarms among the lots that are called worse.

    Returns
    -------
    LotShares

    Raises
    ------
    ValueError
        If lengths disagree, a count is negative or above its total, or a level is not in (0, 1).

    Notes
    -----
    One-sided: a lot that drifts less than its siblings is nobody's concern. The family of tests
    is all testable lots of the call.

    References
    ----------
    R. A. Fisher, exact test of a 2 x 2 table (hypergeometric tail). Y. Benjamini and
    Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289.
    """
    if not len(beyond) == len(total) == len(model):
        raise ValueError("beyond, total, model: of one length")
    if not 0.0 < false_discovery_rate < 1.0:
        raise ValueError("false_discovery_rate: between 0 and 1")
    lower, upper = exact_interval(beyond, total, level)
    _, whose = np.unique(model, return_inverse=True)
    all_beyond = np.bincount(whose, beyond).astype(np.int64)[whose]
    all_total = np.bincount(whose, total).astype(np.int64)[whose]
    rest = all_total - total
    testable = (total > 0) & (rest > 0)
    p = np.where(testable, upper_tail(beyond, total, all_beyond, all_total), 1.0)
    q = np.ones(len(p))
    q[testable] = adjust_for_many(p[testable])
    return LotShares(
        beyond=beyond,
        total=total,
        share=beyond / np.maximum(total, 1),
        lower=lower,
        upper=upper,
        level=level,
        siblings_share=(all_beyond - beyond) / np.maximum(rest, 1),
        p=p,
        q=q,
        testable=testable,
        worse=testable & (q <= false_discovery_rate),
        false_discovery_rate=false_discovery_rate,
    )


def exact_interval(count: Ints, total: Ints, level: float = LEVEL) -> tuple[Floats, Floats]:
    """Return the exact (Clopper-Pearson) two-sided interval of a share.

    Parameters
    ----------
    count, total : (L,) arrays
        Successes and trials; 0 of 0 gives 0 to 1.
    level : float
        Confidence level, shared evenly between both sides.

    Returns
    -------
    lower, upper : (L,) arrays [1]

    Raises
    ------
    ValueError
        If a count is negative or above its total, or the level is not between 0 and 1.

    References
    ----------
    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404. NIST/SEMATECH e-Handbook of
    Statistical Methods, 7.2.4.1.
    """
    from scipy.special import betaincinv

    if (count < 0).any() or (count > total).any():
        raise ValueError("count: from 0 to total")
    if not 0.0 < level < 1.0:
        raise ValueError(f"level: between 0 and 1, not {level}")
    tail = (1.0 - level) / 2.0
    misses = total - count
    low = betaincinv(np.maximum(count, 1), misses + 1, tail)
    high = betaincinv(count + 1, np.maximum(misses, 1), 1.0 - tail)
    return np.where(count > 0, low, 0.0), np.where(misses > 0, high, 1.0)


def upper_tail(count: Ints, drawn: Ints, marked: Ints, population: Ints) -> Floats:
    """Return the hypergeometric probability of `count` or more marked among those drawn.

    Parameters
    ----------
    count, drawn, marked, population : (L,) arrays
        Drawing `drawn` of `population`, of which `marked` are marked, without putting back.

    Returns
    -------
    (L,) array [1]

    Notes
    -----
    The tail on the far side of the expected count is summed (terms by logarithms of binomial
    coefficients, together for all lots), so that small probabilities keep their digits.
    """
    lowest = np.maximum(0, drawn + marked - population)
    highest = np.minimum(drawn, marked)
    above = count * population > drawn * marked
    first = np.where(above, np.maximum(count, lowest), lowest)
    terms = np.maximum(np.where(above, highest, np.minimum(count - 1, highest)) - first + 1, 0)
    total = np.zeros(len(count))
    for block in _blocks(terms):
        owner = np.repeat(block, terms[block])
        begin = np.cumsum(terms[block]) - terms[block]
        k = first[owner] + np.arange(len(owner)) - np.repeat(begin, terms[block])
        mass = np.exp(_log_mass(k, drawn[owner], marked[owner], population[owner]))
        total[block] = np.bincount(owner, mass, minlength=len(count))[block]
    return np.asarray(np.clip(np.where(above, total, 1.0 - total), 0.0, 1.0))


def adjust_for_many(p: Floats) -> Floats:
    """Return Benjamini and Hochberg's adjusted p values of (L,) tests, in their order."""
    count = len(p)
    order = np.argsort(p, kind="stable")
    scaled = p[order] * count / np.arange(1, count + 1)
    adjusted = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    result = np.empty(count)
    result[order] = adjusted
    return result


def _blocks(terms: Ints) -> list[Ints]:
    """Split lots into runs of at most a few million terms together."""
    number = np.cumsum(terms) // _BLOCK
    cuts = np.flatnonzero(np.diff(number)) + 1
    return [block.astype(np.int64) for block in np.split(np.arange(len(terms)), cuts)]


def _log_mass(k: Ints, drawn: Ints, marked: Ints, population: Ints) -> Floats:
    from scipy.special import betaln

    def log_choose(n: Ints, r: Ints) -> Floats:
        return np.asarray(-np.log1p(n) - betaln(n - r + 1, r + 1))

    unmarked = population - marked
    return np.asarray(
        log_choose(marked, k) + log_choose(unmarked, drawn - k) - log_choose(population, drawn)
    )
