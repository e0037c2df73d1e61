"""Calibrations of many sensors laid end to end, and what is known of the sensors beforehand."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calibration.metrology.padding import BoolArray, FloatArray, IntArray

# Standard deviation of what one day's calibrations share although the reference is the same:
# converter, temperature, the technician's way. Relative; common practice, no source.
SAME_REFERENCE = 0.001


_BY_ROW = ("day", "slope", "offset", "u_slope", "u_offset", "covariance", "reference",
           "reference_pct")  # fmt: skip


@dataclass(frozen=True)
class Series:
    """M calibrations of N segments, sorted by segment and within it by time.

    A segment is a run of one sensor's calibrations across which drift may be judged.

    Attributes
    ----------
    segment : ndarray of int, shape (M,)
        0 to N-1, not falling, none left out.
    day : ndarray, shape (M,)
        Time, not falling within a segment [day].
    slope, offset : ndarray, shape (M,)
        The fits [reading/N], [reading].
    u_slope, u_offset, covariance : ndarray, shape (M,)
        Their standard uncertainties and covariance without the reference's share [reading/N],
        [reading], [reading^2/N].
    reference : ndarray of int, shape (M,)
        Which reference standard; equal numbers, one standard (-1: none stated, taken as one).
    reference_pct : ndarray, shape (M,)
        Its relative standard uncertainty [%].
    rated_load : ndarray, shape (N,)
        [N].
    trusted : ndarray of bool, shape (M,), optional
        False: judge it, but learn nothing from it (a zero under pressure, copied numbers).

    Raises
    ------
    ValueError
        If an array does not fit, a value is not finite, or the order is not as said.
    """

    segment: IntArray
    day: FloatArray
    slope: FloatArray
    offset: FloatArray
    u_slope: FloatArray
    u_offset: FloatArray
    covariance: FloatArray
    reference: IntArray
    reference_pct: FloatArray
    rated_load: FloatArray
    trusted: BoolArray | None = None

    def __post_init__(self) -> None:
        self._check_shapes()
        for name in (*_BY_ROW, "rated_load"):
            if not np.isfinite(getattr(self, name)).all():
                message = f"{name}: every value must be finite"
                raise ValueError(message)
        if (self.slope[self.first] == 0.0).any():
            raise ValueError("slope: the first of a segment must not be 0")
        if not (self.rated_load > 0.0).all():
            raise ValueError("rated_load: must be above 0")
        steps = np.diff(self.segment)
        if self.size and (self.segment[0] != 0 or ((steps != 0) & (steps != 1)).any()):
            raise ValueError("segment: must run from 0 without a gap, sorted")
        if ((np.diff(self.day) < 0.0) & (steps == 0)).any():
            raise ValueError("day: must not fall within a segment")

    def _check_shapes(self) -> None:
        for name in _BY_ROW:
            if getattr(self, name).shape != self.segment.shape:
                message = f"{name}: shape {getattr(self, name).shape}, not {self.segment.shape}"
                raise ValueError(message)
        if self.trusted is not None and self.trusted.shape != self.segment.shape:
            raise ValueError("trusted: must have one value a calibration")
        if len(self.rated_load) != (int(self.segment[-1]) + 1 if self.size else 0):
            raise ValueError("rated_load: must have one value a segment")

    @property
    def size(self) -> int:
        """Return M."""
        return len(self.segment)

    @cached_property
    def first(self) -> IntArray:
        """Return where each segment starts, shape (N,)."""
        return np.searchsorted(self.segment, np.arange(len(self.rated_load))).astype(np.int64)

    @cached_property
    def length(self) -> IntArray:
        """Return how many calibrations each segment has, shape (N,)."""
        return np.diff(np.append(self.first, self.size)).astype(np.int64)

    @property
    def longest(self) -> int:
        """Return the length of the longest segment."""
        return int(self.length.max(initial=0))

    @cached_property
    def starts(self) -> BoolArray:
        """Return whether a calibration is the first of its segment, shape (M,)."""
        result = np.zeros(self.size, dtype=bool)
        result[self.first] = True
        return result

    @cached_property
    def before(self) -> IntArray:
        """Return the row of the calibration before in the segment (its own for the first)."""
        return np.arange(self.size) - np.where(self.starts, 0, 1)

    @cached_property
    def same_reference(self) -> BoolArray:
        """Return whether the calibration before used the same reference, shape (M,)."""
        return np.asarray(self.reference == self.reference[self.before])

    @cached_property
    def unit(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return slope, offset and readings per rated load that each segment is counted in.

        Those of its first calibration that is trusted; of the first one where none is.
        """
        at = self.first
        if self.trusted is not None and not self.trusted.all():
            row = np.where(self.trusted, np.arange(self.size), self.size)
            believed = np.minimum.reduceat(row, at)
            at = np.where(believed < self.size, believed, at)
        slope = self.slope[at]
        return slope, self.offset[at], slope * self.rated_load

    def take(self, segments: IntArray) -> "Series":
        """Return some of the segments, in the order given, shape (n,)."""
        length = self.length[segments]
        ends = np.cumsum(length)
        within = np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - length, length)
        rows = np.repeat(self.first[segments], length) + within
        return Series(
            segment=np.repeat(np.arange(len(segments)), length),
            rated_load=self.rated_load[segments],
            trusted=None if self.trusted is None else self.trusted[rows],
            **{name: getattr(self, name)[rows] for name in _BY_ROW},
        )

    def unshared(self) -> "Shared":
        """Return what is known of common changes when no other sensor is asked."""
        now, then = self.reference_pct / 100.0, self.reference_pct[self.before] / 100.0
        changed = now**2 + np.where(self.starts, 0.0, then**2)
        same = self.same_reference & ~self.starts
        return Shared(np.zeros(self.size), np.where(same, SAME_REFERENCE**2, changed))


@dataclass(frozen=True)
class Shared:
    """Common change of slope of each of M calibrations since the one before, and its variance.

    Attributes
    ----------
    change, variance : ndarray, shape (M,)
        Relative; as the other calibrations of its group show it [1], [1].
    """

    change: FloatArray
    variance: FloatArray


@dataclass(frozen=True)
class Noise:
    """What the cells of N segments do by themselves.

    Attributes
    ----------
    walk_slope, walk_zero : ndarray, shape (N,)
        Variance per year of the relative slope [1/year], of the zero in rated loads [1/year].
    extra_slope, extra_zero : ndarray, shape (N,)
        Variance of a calibration beyond that of its fit: setting up anew [1], [1].
    """

    walk_slope: FloatArray
    walk_zero: FloatArray
    extra_slope: FloatArray
    extra_zero: FloatArray


@dataclass(frozen=True)
class Prior:
    """What is expected of the first calibration of N segments; NaN where nothing is.

    Attributes
    ----------
    slope, offset : ndarray, shape (N,)
        [reading/N], [reading].
    var_slope, var_offset : ndarray, shape (N,)
        [reading^2/N^2], [reading^2].
    """

    slope: FloatArray
    offset: FloatArray
    var_slope: FloatArray
    var_offset: FloatArray
