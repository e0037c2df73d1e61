"""The location of clusters of surprises under a mixture, integrated numerically.

References
----------
.. [1] P. J. Huber, E. M. Ronchetti, "Robust Statistics", 2nd ed., Wiley 2009, sections 1.2 and 4.5
   (contaminated normal model, location).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.metrology.padding import FloatArray, IntArray

# How cells calibrated together differ from their common change, beside their own variance:
# (standard deviation of the relative slope, share). Common practice, no source.
CELLS = ((0.0, 0.78), (0.015, 0.10), (0.06, 0.09), (0.6, 0.03))

# How often a reference or converter has moved although its certificate does not allow it, and
# how far (standard deviation, relative). Not thought of where fewer than three others speak.
MOVED = (0.02, 0.06)
FEWEST_OTHERS = 3

# A variance that marks a member with nothing to say.
SILENT = 1e6

# Up to this size every member may be the odd one, and the grid starts from the extremes as well.
SMALL = 4

_EM_STEPS = 12
# Grid about a mode in its widths, dense inside and out to the tails of the mixture; and about 0
# in standard deviations of the prior.
_STEPS = np.sinh(np.linspace(-3.2, 3.2, 25))
_PRIOR_STEPS = np.linspace(-4.0, 4.0, 21)

Share = float | FloatArray


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


class Clusters:
    """Rows sorted by cluster, with the sums that run over them."""

    def __init__(
        self, surprise: FloatArray, variance: FloatArray, cluster: IntArray, allowed: FloatArray
    ) -> None:
        self.starts = np.flatnonzero(np.append(True, np.diff(cluster) != 0))
        self.size = np.diff(np.append(self.starts, len(cluster)))
        self.of = np.repeat(np.arange(len(self.starts)), self.size)
        self.surprise, self.variance = surprise, variance
        self.speaks = variance < SILENT
        self.members = self.total(self.speaks.astype(np.float64))
        self.allowed = allowed[self.starts]
        self.cells = _Mixture(variance, CELLS)
        moved = np.where(self.members - 1 >= FEWEST_OTHERS, MOVED[0], 0.0)
        self.prior = _Mixture(self.allowed, ((0.0, 1.0 - moved), (MOVED[1], moved)))

    def total(self, values: FloatArray) -> FloatArray:
        """Return sums over each cluster; the last axis runs over the rows."""
        return np.asarray(np.add.reduceat(values, self.starts, axis=-1))

    def solve(self) -> Located:
        """Integrate the posterior of each cluster's common change, with and without each row."""
        grid = self._grid()
        own = self.cells.log(self.surprise - grid[:, self.of])
        prior = self.prior.log(grid)
        width = np.gradient(grid, axis=0) if len(grid) > 1 else np.ones_like(grid)
        log = self.total(own) + prior + np.log(np.maximum(width, 1e-300))
        mean, variance, weight = _moments(grid, log)
        wide = _down(weight * self.prior.share_of_last(grid))
        others = self.members[self.of] - self.speaks
        mean_others, variance_others, _ = _moments(grid[:, self.of], log[:, self.of] - own)
        alone = others < 1
        return Located(
            without_itself=(
                np.where(alone, 0.0, mean_others),
                np.where(alone, self.allowed[self.of], variance_others),
            ),
            change=mean[self.of],
            u_change=np.sqrt(variance)[self.of],
            moved=wide[self.of],
            members=self.members[self.of].astype(np.int64),
        )

    def _grid(self) -> FloatArray:
        """Return points about the modes that are found from 0, the median and the extremes."""
        heard = np.where(self.speaks, self.surprise, 0.0)
        begin = [np.zeros(len(self.starts)), self._median()]
        if self.size.max(initial=0) <= SMALL:
            begin += [
                np.minimum.reduceat(heard, self.starts),
                np.maximum.reduceat(heard, self.starts),
            ]
        points = []
        for start in begin:
            mode, width = self._climb(start)
            points.append(mode + width * _STEPS[:, None])
        if self.size.max(initial=0) <= SMALL:
            points.append(np.sqrt(self.allowed) * _PRIOR_STEPS[:, None])
        return np.sort(np.concatenate(points), axis=0)

    def _median(self) -> FloatArray:
        order = np.lexsort((self.surprise, self.of))
        ordered = self.surprise[order]
        low = ordered[self.starts + (self.size - 1) // 2]
        return np.asarray(0.5 * (low + ordered[self.starts + self.size // 2]))

    def _climb(self, mode: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return a mode of the posterior and its width, by the EM algorithm from a start."""
        width = np.ones_like(mode)
        for _ in range(_EM_STEPS):
            weight = self.cells.precision(self.surprise - mode[self.of])
            whole = self.total(weight) + self.prior.precision(mode)
            mode = self.total(weight * self.surprise) / whole
            width = 1.0 / np.sqrt(whole)
        return mode, width


class _Mixture:
    """A mixture of normal distributions about 0 on top of a variance of each row."""

    def __init__(self, variance: FloatArray, parts: Sequence[tuple[float, Share]]) -> None:
        self.inverse = [1.0 / (variance + spread**2) for spread, _ in parts]
        self.height = [
            share * np.sqrt(inverse / (2.0 * np.pi))
            for (_, share), inverse in zip(parts, self.inverse, strict=True)
        ]

    def parts(self, value: FloatArray) -> list[FloatArray]:
        """Return the density of each component, rows on the last axis."""
        half = -0.5 * value * value
        return [
            height * np.exp(half * inverse)
            for height, inverse in zip(self.height, self.inverse, strict=True)
        ]

    def log(self, value: FloatArray) -> FloatArray:
        """Return the log density."""
        return np.log(np.maximum(_down(self.parts(value)), 1e-300))

    def precision(self, value: FloatArray) -> FloatArray:
        """Return the mean of 1/variance over the components, by their probabilities here."""
        parts = self.parts(value)
        top = _down([part * inv for part, inv in zip(parts, self.inverse, strict=True)])
        return top / np.maximum(_down(parts), 1e-300)

    def share_of_last(self, value: FloatArray) -> FloatArray:
        """Return the probability of the last component."""
        parts = self.parts(value)
        return parts[-1] / np.maximum(_down(parts), 1e-300)


def _moments(grid: FloatArray, log: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean, variance and weights of a posterior given by its log on a grid (axis 0)."""
    weight = np.exp(log - log.max(axis=0))
    weight = weight / _down(weight)
    mean = _down(weight * grid)
    return mean, _down(weight * (grid - mean) ** 2), weight


def _down(values: FloatArray | Sequence[FloatArray]) -> FloatArray:
    """Return the sum over the first axis, one after the other: the same bits for one and many."""
    whole = values[0]
    for row in values[1:]:
        whole = whole + row
    return np.asarray(whole)
