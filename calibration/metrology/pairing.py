"""Which calibration is compared with which: segments, the previous one, the first one."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NONE = -1
MANY = 1000  # from here on, padding costs more than working through one length after the other


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
    new_sensor = changes(sensor)
    new_segment = new_sensor | changes(installation) | starts_segment
    segment_start = np.maximum.accumulate(np.where(new_segment, index, 0))
    sensor_start = np.maximum.accumulate(np.where(new_sensor, index, 0))
    running = np.cumsum(new_segment)
    season_start = np.maximum.accumulate(np.where(new_segment | changes(season), index, 0))
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


@dataclass(frozen=True)
class Window:
    """What some calibrations look back on.

    Attributes
    ----------
    index : (k, n) array
        Indices of the calibrations, sorted by time; the last row is the n in question.
    used : (k, n) array of bool
        False: padding, or a season of the same name as that of the calibration in question.
    """

    index: Ints
    used: Bools


def windows(pairs: Pairs, season: Ints, length: int, fewest: int) -> Iterator[Window]:
    """Yield what each calibration looks back on, one calibration a season.

    A season's last stands for it, and the calibration in question for its own. `length` is how
    many calibrations of the segment are looked back on at most, itself included, whether they
    stand for a season or not. Those with fewer than `fewest` seasons are left out.
    """
    new_season = changes(season) | changes(pairs.segment_start)
    ends = np.append(np.flatnonzero(new_season)[1:], len(season)) - 1
    ended = np.cumsum(new_season) - 1
    oldest = np.maximum(pairs.segment_start, np.arange(len(season)) - (length - 1))
    begun = ended[oldest]
    points = ended - begun + 1
    longest = int(points.max(initial=0))
    widths = range(fewest, longest + 1) if len(season) >= MANY else [longest]
    narrower = fewest - 1
    for width in widths:
        newest = np.flatnonzero((points > narrower) & (points <= width))
        narrower = width
        earlier = ended[newest] + np.arange(1 - width, 0)[:, None]
        index = np.concatenate([ends[np.maximum(earlier, 0)], newest[None, :]])
        # The same year again after another one: the sensor went to a dealer with another calendar.
        used = season[index] != season[newest]
        used[:-1] &= earlier >= begun[newest]
        used[-1] = True
        yield _with_enough(Window(index, used), fewest)


def believed(window: Window, trusted: Bools, fewest: int) -> Window:
    """Return a window of M calibrations in which only those that are `trusted`, (M,), are used."""
    used = window.used & trusted[window.index]
    asked = used[-1]
    return _with_enough(Window(window.index[:, asked], used[:, asked]), fewest)


def _with_enough(window: Window, fewest: int) -> Window:
    if window.used.all():
        return window
    enough = window.used.sum(axis=0) >= fewest
    return Window(window.index[:, enough], window.used[:, enough])


def changes(keys: Ints) -> Bools:
    """Return where a key differs from the one before it; True at the start."""
    changed = np.ones(len(keys), dtype=bool)
    changed[1:] = keys[1:] != keys[:-1]
    return changed
