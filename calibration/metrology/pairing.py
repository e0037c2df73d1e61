"""Which calibration is compared with which: segments, the previous one, the first one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NONE = -1


@dataclass(frozen=True)
class Pairs:
    """Indices into M calibrations sorted by sensor and time.

    Attributes
    ----------
    segment : (M,) array
        Number of the segment within its sensor's life, from 1.
    segment_start : (M,) array
        Index of the calibration that started the segment.
    previous : (M,) array
        Index of the newest calibration of an earlier season in the same segment; where there is
        none, of the one before it in its own season; -1 where there is none at all.
    first : (M,) array
        Index of the segment's first calibration; -1 for that one itself.
    before : (M,) array
        Index of the calibration just before in the segment; -1 for the first.
    segment_index : (M,) array
        Number of the segment among all of them, from 0.
    """

    segment: Ints
    segment_start: Ints
    previous: Ints
    first: Ints
    before: Ints
    segment_index: Ints


def pair(sensor: Ints, season: Ints, installation: Ints, starts_segment: Bools) -> Pairs:
    """Pair M calibrations, sorted by sensor and time, with those before them.

    Parameters
    ----------
    sensor, season, installation : (M,) arrays
        Keys; the season is a year. Loads and readings play no part.
    starts_segment : (M,) array of bool
        True where the calibration's reason (commissioning, replacement, repair) says that its
        numbers may legitimately be new. A change of installation starts a segment as well.

    Returns
    -------
    Pairs
    """
    index = np.arange(len(sensor))
    new_sensor = _changes(sensor)
    new_segment = new_sensor | _changes(installation) | starts_segment
    segment_start = np.maximum.accumulate(np.where(new_segment, index, 0))
    sensor_start = np.maximum.accumulate(np.where(new_sensor, index, 0))
    running = np.cumsum(new_segment)
    season_start = np.maximum.accumulate(np.where(new_segment | _changes(season), index, 0))
    earlier = season_start - 1
    previous = np.where(earlier >= segment_start, earlier, index - 1)
    return Pairs(
        segment=np.asarray(running - running[sensor_start] + 1),
        segment_start=segment_start,
        previous=np.where(previous >= segment_start, previous, NONE),
        first=np.where(segment_start < index, segment_start, NONE),
        before=np.where(segment_start < index, index - 1, NONE),
        segment_index=running - 1,
    )


def window(pairs: Pairs, length: int) -> tuple[Ints, Bools]:
    """Return, for each calibration, the indices of up to `length` of its segment, itself last.

    Returns
    -------
    indices : (M, length) array
        Sorted by time; where `mask` is False the index is 0 and means nothing.
    mask : (M, length) array of bool
    """
    index = np.arange(len(pairs.segment))[:, None] - np.arange(length - 1, -1, -1)[None, :]
    mask = index >= pairs.segment_start[:, None]
    return np.where(mask, index, 0), mask


def _changes(keys: Ints) -> Bools:
    """Where a key differs from the one before it; True at the start."""
    changed = np.ones(len(keys), dtype=bool)
    changed[1:] = keys[1:] != keys[:-1]
    return changed
