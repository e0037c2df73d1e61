"""The location of clusters of surprises under a mixture, integrated numerically.

References
----------
.. [1] P. J. Huber, E. M. Ronchetti, "Robust Statistics", 2nd ed., Wiley 2009, sections 1.2 and 4.5
   (contaminated normal model, location).
"""

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
_LOG_TWO_PI = float(np.log(2.0 * np.pi))


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
        self.share = np.where(self.members - 1 >= FEWEST_OTHERS, MOVED[0], 0.0)

    def total(self, values: FloatArray) -> FloatArray:
        """Return sums over each cluster; the last axis runs over the rows."""
        return np.asarray(np.add.reduceat(values, self.starts, axis=-1))

    def solve(self) -> Located:
        """Integrate the posterior of each cluster's common change, with and without each row."""
        grid = self._grid()
        own = self._log_row(grid[:, self.of])
        prior = self._log_prior(grid)
        width = np.gradient(grid, axis=0) if len(grid) > 1 else np.ones_like(grid)
        log = self.total(own) + prior + np.log(np.maximum(width, 1e-300))
        mean, variance, weight = _moments(grid, log)
        wide = _down(weight * self._wide(grid))
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
            away = self.surprise - mode[self.of]
            weight = _precision(away, self.variance, CELLS)
            prior = _precision(
                mode, self.allowed, ((0.0, 1.0 - self.share), (MOVED[1], self.share))
            )
            whole = self.total(weight) + prior
            mode = self.total(weight * self.surprise) / whole
            width = 1.0 / np.sqrt(whole)
        return mode, width

    def _log_row(self, change: FloatArray) -> FloatArray:
        return np.log(_density(self.surprise - change, self.variance, CELLS))

    def _log_prior(self, change: FloatArray) -> FloatArray:
        shares = ((0.0, 1.0 - self.share), (MOVED[1], self.share))
        return np.log(np.maximum(_density(change, self.allowed, shares), 1e-300))

    def _wide(self, change: FloatArray) -> FloatArray:
        shares = ((0.0, 1.0 - self.share), (MOVED[1], self.share))
        wide = _density(change, self.allowed, shares[1:])
        return wide / np.maximum(_density(change, self.allowed, shares), 1e-300)


def _density(
    value: FloatArray,
    variance: FloatArray,
    shares: tuple[tuple[float, float | FloatArray], ...],
) -> FloatArray:
    whole = np.zeros(np.broadcast_shapes(value.shape, variance.shape))
    for spread, share in shares:
        wide = variance + spread**2
        whole = whole + share * np.exp(-0.5 * (value * value / wide + np.log(wide) + _LOG_TWO_PI))
    return np.asarray(whole)


def _precision(
    value: FloatArray,
    variance: FloatArray,
    shares: tuple[tuple[float, float | FloatArray], ...],
) -> FloatArray:
    """Return the mean of 1/variance over the components, by their probabilities at this value."""
    whole, top = np.full_like(value, 1e-300), np.zeros_like(value)
    for spread, share in shares:
        part = _density(value, variance, ((spread, share),))
        whole, top = whole + part, top + part / (variance + spread**2)
    return top / whole


def _moments(grid: FloatArray, log: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean, variance and weights of a posterior given by its log on a grid (axis 0)."""
    weight = np.exp(log - log.max(axis=0))
    weight = weight / _down(weight)
    mean = _down(weight * grid)
    return mean, _down(weight * (grid - mean) ** 2), weight


def _down(values: FloatArray) -> FloatArray:
    """Return the sum over the grid, one after the other: the same bits for one row and many."""
    whole = values[0]
    for row in values[1:]:
        whole = whole + row
    return np.asarray(whole)
