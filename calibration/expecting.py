"""What was expected of each calibration: the whole history, the day's common change taken off."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import History
from calibration.company import Siblings
from calibration.metrology.clusters import SILENT, in_order
from calibration.metrology.drift import LineState
from calibration.metrology.expectation import YEAR, Expectation, expect
from calibration.metrology.fleetnoise import tag_prior
from calibration.metrology.pairing import NONE, Pairs
from calibration.metrology.series import SAME_REFERENCE, Noise, Prior, Series, Shared
from calibration.metrology.shared import Common, common_change
from calibration.moving import Moves, followed
from calibration.policies import OWN_WEIGHT_PCT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

HALF_A_DAY = 0.5  # days
# A reference that is off is so by per cents. A larger step is the cell's own, or a slip of a whole
# batch (its unit, its load): about the reference it says nothing. Common practice, no source.
_MOST_OF_A_REFERENCE = np.log(1.5)
_NEVER = 1e-300  # in place of a ratio of lines that fall and rise
# Keys that spread over less than this many numbers a row are not ranked; more combinations than
# this do not leave room for a row's number beside them.
_CLOSE = 4
_MOST_COMBINATIONS = 1 << 40


@dataclass(frozen=True)
class Fleet:
    """What the fleet has taught about N segments.

    Attributes
    ----------
    noise : Noise
        What their sensors do by themselves.
    siblings : Prior
        What sensors of the same model and lot showed first; NaN where too few are known.
    """

    noise: Noise
    siblings: Prior


@dataclass(frozen=True)
class Steps:
    """From each calibration's predecessor in its segment to itself, arrays of length K.

    There is none to a calibration that was made with the same reference less than half a day
    after: whatever is wrong with the reference is in both. Nor is there where the numbers are
    half as large again, or more: no reference does that.

    Attributes
    ----------
    step, u_step : (K,) arrays [1]
        Relative change of slope and its standard uncertainty without the references' share;
        NaN where there is none.
    reference_before : (K,) array
        Key; -1: own weight. Means nothing for the first of a segment.
    """

    step: Floats
    u_step: Floats
    reference_before: Ints


def steps_of(history: History, state: LineState, pairs: Pairs, noise: Noise) -> Steps:
    """Return the step to each calibration; it depends on nothing but the two lines."""
    there, before = pairs.before != NONE, np.maximum(pairs.before, 0)
    again = history.day - history.day[before] < HALF_A_DAY
    there &= ~(again & (history.reference == history.reference[before]))
    ratio = state.slope / state.slope[before]
    there &= np.abs(np.log(np.maximum(ratio, _NEVER))) < _MOST_OF_A_REFERENCE
    relative = (state.u_slope / state.slope) ** 2
    segment = pairs.segment_index
    years = np.maximum(history.day - history.day[before], 0.0) / YEAR
    variance = (
        ratio**2 * (relative + relative[before])
        + noise.walk_slope[segment] * years
        + 2.0 * noise.extra_slope[segment]
    )
    return Steps(
        step=np.where(there, ratio - 1.0, np.nan),
        u_step=np.where(there, np.sqrt(variance), np.nan),
        reference_before=np.where(pairs.before != NONE, history.reference[before], NONE),
    )


@dataclass(frozen=True)
class Together:
    """What the calibrations share with their company.

    Attributes
    ----------
    common : Common
        Arrays of length K.
    taken_off : Shared
        What is taken off each: what the others show, and what a reference had moved by and that
        is over.
    moves : Moves
    leads : (K,) array of bool
        The member that speaks for its cluster: the sensor with the lowest key.
    """

    common: Common
    taken_off: Shared
    moves: Moves
    leads: Bools


def together(
    history: History, pairs: Pairs, steps: Steps, siblings: Siblings, tolerance: Floats
) -> Together:
    """Estimate the common changes of days and seasons from the steps of all their members.

    Members enter in one order, whoever asks, so that everybody gets the same bits. The tolerance
    of the slopes, (K,) [%], says from when on a reference that moved matters.
    """
    own = len(history)
    sensor = np.concatenate((history.sensor, siblings.sensor))
    day = np.concatenate((history.day, siblings.day))
    order = _by_sensor_and_day(sensor, day)
    reference = np.concatenate((history.reference, siblings.reference))[order]
    before = np.concatenate((steps.reference_before, siblings.reference_before))[order]
    season = np.concatenate((history.season, siblings.season))[order]
    date = np.concatenate((history.date, siblings.date))[order]
    step = np.concatenate((steps.step, siblings.step))[order]
    u_step = np.concatenate((steps.u_step, siblings.u_step))[order]
    speaks = ~np.isnan(step) & (reference != NONE)
    changed = speaks & (before != reference) & (before != NONE)
    named, single = _allowed(history, pairs, siblings, order)
    day_cluster = _number(speaks, reference, before, date)
    common = common_change(
        np.where(speaks, step, 0.0),
        np.where(speaks, u_step**2 + single, SILENT),
        day_cluster,
        named,
        wide=_number(changed, reference, before, season),
    )
    back = np.empty(len(order), dtype=np.int64)
    back[order] = np.arange(len(order))
    mine = back[:own]
    leads = _first_of(day_cluster)
    found = Common(
        Shared(common.others.change[mine], common.others.variance[mine] + single[mine]),
        common.change[mine],
        common.u_change[mine],
        common.moved[mine],
        common.members[mine],
    )
    taken_off, moves = followed(pairs, steps.step, steps.u_step, found, tolerance)
    return Together(found, taken_off, moves, leads[mine])


def _allowed(
    history: History, pairs: Pairs, siblings: Siblings, order: Ints
) -> tuple[Floats, Floats]:
    """Prior variance of the common change that a cluster shares, and of what is one's own.

    A unit's own weight is that machine's alone: its uncertainty is nobody's to share.
    """
    before = np.where(pairs.before == NONE, np.arange(len(history)), pairs.before)
    reference = np.concatenate((history.reference, siblings.reference))
    earlier = np.concatenate((history.reference[before], siblings.reference_before))
    pct = np.concatenate((history.reference_pct, siblings.reference_pct))
    pct_before = np.concatenate((history.reference_pct[before], siblings.reference_before_pct))
    same = reference == earlier
    weight = (OWN_WEIGHT_PCT / 100.0) ** 2
    named = np.where(reference != NONE, (pct / 100.0) ** 2, 0.0) + np.where(
        earlier != NONE, (pct_before / 100.0) ** 2, 0.0
    )
    own = np.where(reference == NONE, weight, 0.0) + np.where(earlier == NONE, weight, 0.0)
    shared = np.where(same, SAME_REFERENCE**2, named)
    return shared[order], np.where(same, 0.0, own)[order]


def _by_sensor_and_day(sensor: Ints, day: Floats) -> Ints:
    """The order by sensor and day; a history alone is in it already, and need not be sorted."""
    later = (sensor[1:] > sensor[:-1]) | ((sensor[1:] == sensor[:-1]) & (day[1:] >= day[:-1]))
    return np.arange(len(sensor)) if later.all() else np.lexsort((day, sensor))


def _number(there: Bools, *keys: Ints) -> Ints:
    """Number combinations of keys, equal ones alike, in no order that means anything.

    -1 where not there.
    """
    rows = np.flatnonzero(there)
    whole = np.zeros(len(rows), dtype=np.int64)
    count = 1
    for key in keys:
        rank, different = _rank(key[rows])
        if count * different > _MOST_COMBINATIONS:
            whole, count = _rank(whole)
        whole = whole * different + rank
        count *= different
    number = np.full(len(there), -1, dtype=np.int64)
    number[rows] = whole
    return number


def _rank(key: Ints) -> tuple[Ints, int]:
    """The rank of each key among the different ones, or its distance from the least of them.

    The second number is above all of the first. Keys that lie close together are not sorted.
    """
    if not len(key):
        return key, 1
    least = key.min()
    spread = int(key.max()) - int(least) + 1
    if spread <= _CLOSE * len(key):
        return key - least, spread
    different, rank = np.unique(key, return_inverse=True)
    return rank.reshape(-1).astype(np.int64), len(different)


def _first_of(cluster: Ints) -> Bools:
    """The first row of each cluster in the order given; rows of no cluster never lead."""
    order, starts = in_order(cluster)
    leads = np.zeros(len(cluster), dtype=bool)
    leads[order[starts]] = True
    return leads


def series_of(history: History, state: LineState, pairs: Pairs, trusted: Bools) -> Series:
    """Return the calibrations as segments for the filter."""
    starts = np.flatnonzero(pairs.segment_start == np.arange(len(history)))
    return Series(
        segment=pairs.segment_index,
        day=history.day,
        slope=state.slope,
        offset=state.offset,
        u_slope=state.u_slope,
        u_offset=state.u_offset,
        covariance=state.covariance,
        reference=history.reference,
        reference_pct=history.reference_pct,
        rated_load=history.rated_load[starts],
        trusted=trusted,
    )


def expected(
    history: History, state: LineState, pairs: Pairs, fleet: Fleet, shared: Shared, trusted: Bools
) -> Expectation:
    """Filter every segment, what is `shared` taken off.

    What is expected first of a new cell are the numbers on its tag, or where it has none, what its
    siblings of the same model and lot showed first.
    """
    series = series_of(history, state, pairs, trusted)
    prior = _first_expectation(history, pairs, fleet.siblings)
    return expect(series, fleet.noise, shared=shared, prior=prior)


def _first_expectation(history: History, pairs: Pairs, siblings: Prior) -> Prior:
    """The prior of a sensor's first segment; later ones start from nothing."""
    starts = np.flatnonzero(pairs.segment_start == np.arange(len(history)))
    new = pairs.segment[starts] == 1
    extras = {name: values[starts] for name, values in history.extras.items()}
    slope = (extras["tag_span_reading"] - extras["tag_zero_reading"]) / extras["tag_span_load"]
    usable = new & np.isfinite(slope) & (slope != 0)
    return tag_prior(
        np.where(usable, slope, np.nan),
        np.where(usable, extras["tag_zero_reading"], np.nan),
        history.rated_load[starts],
        Prior(**{name: np.where(new, values, np.nan) for name, values in vars(siblings).items()}),
    )
