"""The location of clusters of surprises under a mixture: all members, and each one's others.

References
----------
.. [1] P. J. Huber, E. M. Ronchetti, "Robust Statistics", 2nd ed., Wiley 2009, sections 1.2 and 4.5
   (contaminated normal model, location).
.. [2] A. Gelman et al., "Bayesian Data Analysis", 3rd ed., CRC 2013, section 2.5 (a normal prior
   and a normal observation give a normal posterior).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from calibration.metrology.location import integrate
from calibration.metrology.mixtures import CELLS, FEWEST_OTHERS, halved
from calibration.metrology.padding import FloatArray, IntArray

# A variance that marks a member with nothing to say.
SILENT = 1e6

# Up to this many members every combination of components is summed, without a grid.
FEW = FEWEST_OTHERS

# Up to this many members every one may be the odd one: larger clusters are integrated apart.
SMALL = 7

# Rows of one block: its arrays stay in the processor's cache. No bit depends on it.
BLOCK = 8192


@dataclass(frozen=True)
class Located:
    """Common changes of the clusters of M rows, each given for its rows.

    Attributes
    ----------
    without_itself : pair of ndarray, shape (M,)
        Mean and variance as the others of the cluster show it.
    change, u_change : ndarray, shape (M,)
        Mean and standard deviation as all show it.
    moved : ndarray, shape (M,)
        Probability of the wide component of the prior [1].
    members : ndarray of int, shape (M,)
        How many speak.
    """

    without_itself: tuple[FloatArray, FloatArray]
    change: FloatArray
    u_change: FloatArray
    moved: FloatArray
    members: IntArray


def in_order(cluster: IntArray) -> tuple[IntArray, IntArray]:
    """Return the rows by cluster, those of one in their order, and where each one starts.

    Rows of negative clusters are left out.
    """
    rows = np.flatnonzero(cluster >= 0)
    if not len(rows):
        return rows, rows
    key = cluster[rows]
    bits = len(rows).bit_length()
    if int(key.max()) < 1 << (62 - bits):
        # One number for cluster and row: sorting it is faster than finding an order.
        both = np.sort((key << bits) | np.arange(len(rows)))
        key, order = both >> bits, both & ((1 << bits) - 1)
    else:
        order = np.argsort(key, kind="stable")
        key = key[order]
    return rows[order], np.flatnonzero(np.diff(key, prepend=-1))


def locate(
    surprise: FloatArray, variance: FloatArray, starts: IntArray, allowed: FloatArray
) -> Located:
    """Find the posterior of each cluster's common change, with and without each row.

    Parameters
    ----------
    surprise, variance, allowed : ndarray, shape (M,)
        As `shared.common_change` takes them [1].
    starts : ndarray of int, shape (C,)
        Where each cluster starts.

    Returns
    -------
    Located

    Notes
    -----
    The members that are silent are told what all others say. Up to `FEW` members the posterior is
    a mixture of normal distributions in closed form [2]_; more are integrated numerically.
    """
    of = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(surprise))))
    heard = np.flatnonzero(variance < SILENT)
    members = np.bincount(of[heard], minlength=len(starts))
    whole = _Posteriors(allowed[starts])
    own = _Posteriors(whole.variance[of[heard]])
    _solve((surprise[heard], variance[heard]), members, whole, own)
    change, spread = whole.mean[of], whole.variance[of]
    others, others_spread = change.copy(), spread.copy()
    others[heard], others_spread[heard] = own.mean, own.variance
    return Located(
        without_itself=(others, others_spread),
        change=change,
        u_change=np.sqrt(spread),
        moved=whole.moved[of],
        members=members[of],
    )


class _Posteriors:
    """Mean and variance of n posteriors, at first those of priors, and whether they moved."""

    def __init__(self, variance: FloatArray) -> None:
        self.mean = np.zeros(len(variance))
        self.variance = variance.astype(np.float64)
        self.moved = np.zeros(len(variance))


def _solve(
    heard: tuple[FloatArray, FloatArray], members: IntArray, whole: _Posteriors, own: _Posteriors
) -> None:
    """Fill in the posteriors of clusters by all members (`whole`) and without each (`own`)."""
    surprise, variance = heard
    allowed = whole.variance.copy()
    first = np.cumsum(members) - members
    for number in range(1, FEW + 1):
        for who in _parts(np.flatnonzero(members == number), number):
            rows = first[who] + np.arange(number)[:, None]
            whole.mean[who], whole.variance[who] = _sum_over_components(
                surprise[rows], variance[rows], allowed[who]
            )
            for i in range(number if number > 1 else 0):
                others = np.delete(rows, i, axis=0)
                own.mean[rows[i]], own.variance[rows[i]] = _sum_over_components(
                    surprise[others], variance[others], allowed[who]
                )
    for who in _blocks(members):
        rows = np.repeat(first[who] - np.cumsum(members[who]) + members[who], members[who])
        rows += np.arange(len(rows))
        every, each = integrate(
            surprise[rows], variance[rows], members[who], allowed[who], small=SMALL
        )
        whole.mean[who], whole.variance[who], whole.moved[who] = every
        own.mean[rows], own.variance[rows] = each


def _blocks(members: IntArray) -> Iterator[IntArray]:
    """Yield clusters that are integrated, small ones apart from larger ones."""
    yield from _parts(np.flatnonzero((members > FEW) & (members <= SMALL)), members)
    yield from _parts(np.flatnonzero(members > SMALL), members)


def _parts(who: IntArray, members: IntArray | int) -> Iterator[IntArray]:
    """Yield these clusters in parts of about `BLOCK` rows."""
    if not len(who):
        return
    size = members[who] if isinstance(members, np.ndarray) else np.full(len(who), members)
    block = (np.cumsum(size) - 1) // BLOCK
    yield from np.split(who, np.flatnonzero(np.diff(block)) + 1)


def _sum_over_components(
    surprise: FloatArray, variance: FloatArray, allowed: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of the posterior of n members each of C clusters, shape (C,).

    Each combination of components is a normal distribution, updated member after member.
    """
    mean, spread = np.zeros((1, len(allowed))), allowed[None, :]
    misfit, weight = np.zeros_like(mean), np.ones_like(mean)
    cells = np.array([sd**2 for sd, _ in CELLS])[:, None, None]
    share = np.array([part for _, part in CELLS])[:, None, None]
    for value, own in zip(surprise, variance, strict=True):
        noise = cells + own
        total = noise + spread
        off = value - mean
        misfit = (misfit + off * off / total).reshape(-1, len(allowed))
        weight = (weight * share / np.sqrt(total)).reshape(-1, len(allowed))
        mean = (mean + spread / total * off).reshape(-1, len(allowed))
        spread = (spread * (noise / total)).reshape(-1, len(allowed))
    weight *= np.exp(0.5 * (misfit.min(axis=0) - misfit))
    weight /= halved(weight)
    centre = halved(weight * mean)
    return centre, halved(weight * (spread + (mean - centre) ** 2))
