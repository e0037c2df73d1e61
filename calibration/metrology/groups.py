"""Sums within, and values spread over, the points of many calibrations laid end to end."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Groups:
    """M runs of consecutive items, of which each has at least one.

    Parameters
    ----------
    counts : (M,) array
        How many items each run has.

    Raises
    ------
    ValueError
        If a run is empty.
    """

    def __init__(self, counts: Ints) -> None:
        if (counts < 1).any():
            raise ValueError("counts: every calibration needs at least one point")
        self.counts = counts
        self.starts = np.concatenate(([0], np.cumsum(counts)[:-1])).astype(np.int64)
        self.number = np.repeat(np.arange(len(counts)), counts)

    def total(self, values: Floats) -> Floats:
        """Return the (M,) sums."""
        return np.asarray(np.add.reduceat(values, self.starts), dtype=np.float64)

    def highest(self, values: Floats) -> Floats:
        """Return the (M,) largest values."""
        return np.asarray(np.maximum.reduceat(values, self.starts), dtype=np.float64)

    def lowest(self, values: Floats) -> Floats:
        """Return the (M,) smallest values."""
        return np.asarray(np.minimum.reduceat(values, self.starts), dtype=np.float64)

    def spread(self, values: Floats) -> Floats:
        """Return each run's value beside every one of its items, (P,)."""
        return np.asarray(np.repeat(values, self.counts), dtype=np.float64)


class Levels:
    """Points of each calibration gathered at their load levels.

    Parameters
    ----------
    groups : Groups
        The calibrations.
    load : (P,) array [N]
        Loads.
    same : (M,) array [N]
        Neighbouring loads that differ by no more than this make one level; 0: equal loads only.
    """

    def __init__(self, groups: Groups, load: Floats, same: Floats) -> None:
        order = np.lexsort((load, groups.number))
        ranked, number = load[order], groups.number[order]
        new = np.ones(len(load), dtype=bool)
        new[1:] = (np.diff(number) != 0) | (np.diff(ranked) > groups.spread(same)[order][1:])
        self.of_point = np.empty(len(load), dtype=np.int64)
        self.of_point[order] = np.cumsum(new) - 1
        self.calibration = number[new]
        self.size = len(self.calibration)
        self.per_calibration = np.bincount(self.calibration, minlength=len(groups.counts))

    def count(self, chosen: Bools) -> Ints:
        """Return how many of the chosen points each of the L levels has."""
        return np.bincount(self.of_point[chosen], minlength=self.size)

    def mean(self, values: Floats, chosen: Bools) -> Floats:
        """Return the (L,) mean of the chosen points at each level; 0 where there are none."""
        total = np.bincount(self.of_point[chosen], values[chosen], minlength=self.size)
        return np.asarray(total / np.maximum(self.count(chosen), 1))

    def widest(self, values: Floats, chosen: Bools) -> Floats:
        """Return the (L,) largest less the smallest chosen value; 0 where there are none."""
        at, low = self.of_point[chosen], np.full(self.size, np.inf)
        high = np.full(self.size, -np.inf)
        np.maximum.at(high, at, values[chosen])
        np.minimum.at(low, at, values[chosen])
        return np.where(high >= low, high, 0.0) - np.where(high >= low, low, 0.0)
