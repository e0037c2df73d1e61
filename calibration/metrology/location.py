"""The posterior of a location under a mixture, integrated on grids about its modes.

References
----------
.. [1] A. P. Dempster, N. M. Laird, D. B. Rubin, "Maximum likelihood from incomplete data via the
   EM algorithm", J. R. Stat. Soc. B 39 (1977) 1-38.
.. [2] L. N. Trefethen, J. A. C. Weideman, "The exponentially convergent trapezoidal rule",
   SIAM Review 56 (2014) 385-458.
.. [3] A. D. Becke, "A multicenter numerical integration scheme for polyatomic molecules",
   J. Chem. Phys. 88 (1988) 2547-2553 (one grid about each centre, and weights that share the
   space out among them).
"""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.mixtures import CELLS, MOVED, Mixture, halved
from calibration.metrology.padding import BoolArray, FloatArray, IntArray

# EM steps that all clusters take, and those whose starts have not met by then, in addition.
_STEPS = 3
_MORE_STEPS = 9

# Modes nearer to each other than this many widths are one.
_ONE = 1.0

# A member this many of its standard deviations off the mode is odd. Where less than this many
# more are at the mode than are odd, the odd ones may make a mode of their own: a rugged posterior.
_ODD = 3.0
_MAJORITY = 5

# Starts within a rugged cluster: so many of its members, evenly by rank.
_RANKS = 8

# How sharply the space is shared out between grids: power of the density of their nodes.
_SHARPNESS = 8

Pair = tuple[FloatArray, FloatArray]
Triple = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(frozen=True)
class Steps:
    """Nodes about a mode, in its widths: ``sinh(bend * t) / bend`` at even steps of t."""

    step: float
    number: int
    bend: float

    def places(self) -> Pair:
        """Return the nodes and the logs of their weights, shape (2 number + 1,)."""
        even = self.step * np.arange(-self.number, self.number + 1)
        return np.sinh(self.bend * even) / self.bend, np.log(self.step * np.cosh(self.bend * even))


# The tails are wide for few members; many modes need a finer grid.
FEW_STEPS = Steps(0.5, 17, 0.5)
MANY_STEPS = Steps(0.6, 11, 0.5)
RUGGED_STEPS = Steps(0.3, 28, 0.5)


def integrate(
    surprise: FloatArray, variance: FloatArray, size: IntArray, allowed: FloatArray, *, small: int
) -> tuple[Triple, Pair]:
    """Integrate the posterior of the location of C clusters of together M members.

    Parameters
    ----------
    surprise, variance : ndarray, shape (M,)
        One cluster after the other [1].
    size : ndarray of int, shape (C,)
        Members of each cluster, above `FEWEST_OTHERS`, and all above `small` or none.
    allowed : ndarray, shape (C,)
        A-priori variance [1].
    small : int
        Up to this many members the extremes are starts, too.

    Returns
    -------
    (mean, variance, moved), (mean_others, variance_others)
        Of the clusters, shapes (C,), and without each member, shapes (M,).
    """
    steps = FEW_STEPS if size[0] <= small else MANY_STEPS
    block = _Block.of_rows(surprise, variance, size, np.maximum(allowed, 1e-18))
    modes, width = block.climb(block.starting_points(), _STEPS)
    apart = np.flatnonzero(_kept(modes, width)[1])
    if len(apart):
        modes[:, apart], width[:, apart] = block.take(apart).climb(modes[:, apart], _MORE_STEPS)
    rugged = block.rugged(modes[0]) | _kept(modes, width)[1]
    whole = np.empty((3, len(size)))
    others = np.empty((2, len(surprise)))
    smooth = np.flatnonzero(~rugged)
    if len(smooth):
        part = block.take(smooth)
        whole[:, smooth], others[:, block.rows_of(smooth)] = part.moments(
            modes[:1, smooth], width[:1, smooth], steps
        )
    who = np.flatnonzero(rugged)
    if len(who):
        whole[:, who], others[:, block.rows_of(who)] = _integrate_rugged(block.take(who))
    return (whole[0], whole[1], whole[2]), (others[0], others[1])


def _integrate_rugged(block: "_Block") -> Pair:
    """Return moments as `_Block.moments` does, on grids about as many modes as are found."""
    modes, width = block.climb(block.more_starting_points(), _STEPS + _MORE_STEPS)
    kept = _kept(modes, width)
    number = kept.sum(axis=0)
    front = np.argsort(~kept, axis=0, kind="stable")
    whole = np.empty((3, len(block.size)))
    others = np.empty((2, len(block.surprise)))
    for count in np.flatnonzero(np.bincount(number)).tolist():
        who = np.flatnonzero(number == count)
        chosen = front[:count, who], who
        whole[:, who], others[:, block.rows_of(who)] = block.take(who).moments(
            modes[chosen], width[chosen], RUGGED_STEPS
        )
    return whole, others


def _kept(modes: FloatArray, width: FloatArray) -> BoolArray:
    """Return which modes are not one with an earlier one, shape of the modes."""
    kept = np.ones(modes.shape, dtype=bool)
    for j in range(1, len(modes)):
        apart = np.abs(modes[:j] - modes[j]) > _ONE * np.minimum(width[:j], width[j])
        kept[j] = (apart | ~kept[:j]).all(axis=0)
    return kept


@dataclass(frozen=True)
class _Block:
    """Members of clusters, laid end to end."""

    surprise: FloatArray
    variance: FloatArray
    size: IntArray
    allowed: FloatArray
    starts: IntArray
    of: IntArray
    cells: Mixture
    prior: Mixture

    @classmethod
    def of_rows(
        cls, surprise: FloatArray, variance: FloatArray, size: IntArray, allowed: FloatArray
    ) -> "_Block":
        return cls(
            surprise,
            variance,
            size,
            allowed,
            np.cumsum(size) - size,
            np.repeat(np.arange(len(size)), size),
            Mixture(variance, CELLS),
            Mixture(allowed, ((0.0, 1.0 - MOVED[0]), (MOVED[1], MOVED[0]))),
        )

    def rows_of(self, who: IntArray) -> IntArray:
        """Return the rows of some clusters, in their order."""
        size = self.size[who]
        ends = np.cumsum(size)
        return np.asarray(np.arange(ends[-1]) + np.repeat(self.starts[who] + size - ends, size))

    def take(self, who: IntArray) -> "_Block":
        """Return some of the clusters."""
        rows = self.rows_of(who)
        return _Block.of_rows(
            self.surprise[rows], self.variance[rows], self.size[who], self.allowed[who]
        )

    def total(self, values: FloatArray) -> FloatArray:
        """Return sums over each cluster; the last axis runs over the rows."""
        return np.asarray(np.add.reduceat(values, self.starts, axis=-1))

    def _ordered(self) -> FloatArray:
        """Return the surprises sorted within each cluster, for starts: to 1e-10, within 2."""
        scaled = ((np.clip(self.surprise, -2.0, 2.0) + 2.0) * 2.0**33).astype(np.int64)
        return np.asarray((np.sort(scaled + (self.of << 36)) - (self.of << 36)) * 2.0**-33 - 2.0)

    def starting_points(self) -> FloatArray:
        """Return the median of each cluster and 0, shape (2, C)."""
        values = self._ordered()
        low, high = self.starts + (self.size - 1) // 2, self.starts + self.size // 2
        return np.stack((0.5 * (values[low] + values[high]), np.zeros(len(self.size))))

    def more_starting_points(self) -> FloatArray:
        """Return 0 and `_RANKS` members of each cluster, shape (1 + _RANKS, C)."""
        rank = np.arange(_RANKS)[:, None] * (self.size - 1) // (_RANKS - 1)
        return np.vstack((np.zeros(len(self.size)), self._ordered()[self.starts + rank]))

    def rugged(self, mode: FloatArray) -> BoolArray:
        """Return whether so many are odd that they may make a mode of their own, shape (C,)."""
        away = self.surprise - np.repeat(mode, self.size)
        odd = self.total((away * away > _ODD**2 * self.variance).astype(np.float64))
        return np.asarray(2.0 * odd > self.size - _MAJORITY)

    def climb(self, modes: FloatArray, steps: int) -> Pair:
        """Return modes of the posterior and their widths, by the EM algorithm [1]_, (J, C)."""
        whole = np.ones_like(modes)
        for _ in range(steps):
            away = self.surprise - np.repeat(modes, self.size, axis=-1)
            weight = self.cells.precision(away * away)
            whole = self.total(weight) + self.prior.precision(modes * modes)
            weight *= self.surprise
            modes = self.total(weight) / whole
        return modes, 1.0 / np.sqrt(whole)

    def moments(self, modes: FloatArray, width: FloatArray, steps: Steps) -> Pair:
        """Return mean, variance and moved (3, C), and mean and variance without each (2, M).

        The trapezoidal rule [2]_ on one grid about each mode, shared out as in [3]_.
        """
        grid, log = _nodes(modes, width, steps)
        # Measured from the first mode, so that small variances do not drown in the location.
        near = np.repeat(grid - modes[0], self.size, axis=-1)
        away = (self.surprise - np.repeat(modes[0], self.size)) - near
        away *= away
        own = self.cells.density(away)
        prior = self.prior.density(grid * grid)
        log += self.total(np.log(own, out=away)) + np.log(prior)
        weight = np.exp(log - log.max(axis=0))
        share = np.divide(np.repeat(weight, self.size, axis=-1), own, out=own)
        mean_others, variance_others = _moments(share, near)
        mean, variance = _moments(weight, grid - modes[0])
        moved = halved(weight * (self.prior.last(grid * grid) / prior)) / halved(weight)
        return (
            np.stack((mean + modes[0], variance, moved)),
            np.stack((mean_others + np.repeat(modes[0], self.size), variance_others)),
        )


def _nodes(modes: FloatArray, width: FloatArray, steps: Steps) -> Pair:
    """Return the nodes of all grids and the logs of their weights, shapes (nodes, C)."""
    place, scale = (part[:, None, None] for part in steps.places())
    grid = modes + width * place
    log = np.log(width) + scale
    if len(modes) > 1:
        density = [
            width[j] ** 2 + (steps.bend * (grid - modes[j])) ** 2 for j in range(len(modes))
        ]
        nearest = np.minimum.reduce(density)
        spread = [(nearest / part) ** (_SHARPNESS // 2) for part in density]
        own = np.stack([part[:, j] for j, part in enumerate(spread)], axis=1)
        log = log + np.log(np.maximum(own, 1e-300) / halved(np.stack(spread)))
    shape = (-1, modes.shape[1])
    return grid.reshape(shape), log.reshape(shape)


def _moments(weight: FloatArray, place: FloatArray) -> Pair:
    """Return mean and variance over the first axis."""
    whole = halved(weight)
    weight = weight * place
    mean = halved(weight) / whole
    weight *= place
    return mean, np.maximum(halved(weight) / whole - mean * mean, 0.0)
