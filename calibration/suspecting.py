"""What probably went wrong: ranked causes of surprising calibrations, and whom not to believe."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import History
from calibration.expecting import Together
from calibration.metrology.causes import CAUSES, CERTAIN, CODES, TO_REPEAT
from calibration.metrology.diagnosis import diagnose, ranked
from calibration.metrology.evidence import Evidence
from calibration.metrology.expectation import Expectation
from calibration.metrology.fit import Lines
from calibration.metrology.pairing import NONE, Pairs
from calibration.neighbours import Neighbours

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Causes = dict[int, list[dict[str, Any]]]

COMMON_CAUSE: dict[str, Any] = next(
    {"code": cause.code, "probability": 1.0, "says": cause.says, "check": cause.check}
    for cause in CAUSES
    if cause.code == "common_reference"
)
_TO_REPEAT = np.array([code in TO_REPEAT for code in CODES])
_ENDS = (
    "zero_load", "zero_reading", "span_load", "span_reading",
    "middle_load", "middle_reading", "middle_count",
)  # fmt: skip
_FEWEST_OTHERS = 3  # fewer cells of the day say nothing about the reference


@dataclass(frozen=True)
class Suspects:
    """The surprising calibrations of a case and what probably went wrong with each.

    Attributes
    ----------
    index : (S,) array
        Which calibrations, rising.
    chances : (S, causes) array [1]
        Probabilities in the order of `CAUSES`; rows add up to 1.
    """

    index: Ints
    chances: Floats

    @property
    def slips(self) -> Bools:
        """Of whom a single cause is as good as certain that says to measure again, (S,)."""
        return np.asarray((self.chances[:, _TO_REPEAT] >= CERTAIN).any(axis=1))

    @classmethod
    def none(cls) -> "Suspects":
        """Return nobody."""
        return cls(np.zeros(0, dtype=np.int64), np.zeros((0, len(CAUSES))))

    def anew(self, among: Ints, found: "Suspects") -> "Suspects":
        """Return these with all that were among some rows taken out and those found put in."""
        stay = ~np.isin(self.index, among, assume_unique=True)
        index = np.concatenate((self.index[stay], found.index))
        order = np.argsort(index, kind="stable")
        return Suspects(index[order], np.concatenate((self.chances[stay], found.chances))[order])


@dataclass(frozen=True)
class Scene:
    """What is known about the calibrations of a case, as arrays of length K.

    Attributes
    ----------
    history, pairs : History, Pairs
    lines, keep : Lines, (K,) array
        All lines, and which of them are the case's.
    shared : Together
    neighbours : Neighbours
        The other sensors on the machines.
    """

    history: History
    pairs: Pairs
    lines: Lines
    keep: Ints
    shared: Together
    neighbours: Neighbours


def probabilities(
    scene: Scene, expectation: Expectation, index: Ints, slow: Bools, moved: Floats
) -> Floats:
    """Return (len(index), causes) probabilities for the calibrations at these indices.

    Where a change is `slow`, (K,), what is to be explained is the way since the first, but for
    what the references `moved` by in that time, (K,) [1]. No slip of the day explains it: this
    day's numbers are what was expected.
    """
    if not len(index):
        return np.zeros((0, len(CAUSES)))
    evidence = _evidence(scene, expectation, index)
    over = slow[index]
    if not over.any():
        return diagnose(evidence).probabilities
    first = scene.pairs.segment_start[index]
    begun = expectation.level_slope[first] * moved[index]
    evidence = replace(
        evidence,
        expected_slope=np.where(over, begun, evidence.expected_slope),
        expected_offset=np.where(over, expectation.level_offset[first], evidence.expected_offset),
    )
    found = diagnose(evidence).probabilities
    found[np.ix_(over, _TO_REPEAT)] = 0.0
    left = np.zeros(len(found))
    for column in found.T:  # in one order, so that one row has the bits of many
        left = left + column
    # Others stay as they are, to the last bit.
    found[over] /= np.where(left > 0.0, left, 1.0)[over, None]
    return found


def to_repeat(found: Floats) -> Bools:
    """Where the numbers are more probably wrong than the cell: nothing is learnt from them."""
    share = np.zeros(len(found))
    for column in np.flatnonzero(_TO_REPEAT):
        share = share + found[:, column]
    return np.asarray(share >= 0.5)


def of_a_form(found: Floats) -> Bools:
    """Where it is probably a unit: that is wrong in all that was written on the same form."""
    return np.asarray(found[:, CODES.index("unit_slip")] >= 0.5)


def ranked_causes(index: Ints, chances: Floats) -> Causes:
    """Return the causes of these calibrations as rows keep them, most probable first, by index."""
    return {i: ranked(row) for i, row in zip(index.tolist(), chances, strict=True)}


def _evidence(scene: Scene, expectation: Expectation, index: Ints) -> Evidence:
    history, lines = scene.history, scene.lines
    extras = {
        name: values[index]
        for name, values in history.extras.items()
        if name not in {"machine", "tag_span_load"}
    }
    scale = 1e-9 * np.abs(lines.slope[scene.keep[index]]) * history.rated_load[index]
    extras["reading_sd"] = np.maximum(extras["reading_sd"], scale)
    slopes, offsets = scene.neighbours.around(index)
    return Evidence(
        expected_slope=expectation.slope[index],
        expected_offset=expectation.offset[index],
        var_slope=expectation.var_slope[index],
        var_offset=expectation.var_offset[index],
        covariance=expectation.covariance[index],
        rated_load=history.rated_load[index],
        neighbour_slope=slopes,
        neighbour_offset=offsets,
        **_readings(scene, index),
        **_references(scene, index),
        **extras,
    )


def _readings(scene: Scene, index: Ints) -> dict[str, Floats]:
    """What stands in the records: these, and of the ones before the readings alone."""
    before = scene.pairs.before[index]
    both = ends(scene.lines, scene.keep[np.concatenate((index, np.maximum(before, 0)))])
    now, last = both[:, : len(index)], both[:, len(index) :]
    return dict(zip(_ENDS, now, strict=True)) | {
        "last_zero_reading": np.where(before == NONE, np.nan, last[1]),
        "last_span_reading": np.where(before == NONE, np.nan, last[3]),
    }


def _references(scene: Scene, index: Ints) -> dict[str, Floats]:
    """What the references leave open, and what the others of the day say."""
    history, common, given = scene.history, scene.shared.common, scene.shared.taken_off
    before = scene.pairs.before[index]
    alone = before == NONE
    same = ~alone & (history.reference[index] == history.reference[before])
    earlier = np.where(alone, 0.0, history.reference_pct[before])
    both = np.hypot(history.reference_pct[index], earlier)
    named = history.reference[index] != NONE
    heard = (common.members[index] > _FEWEST_OTHERS) & named
    heard |= ~np.isnan(scene.shared.moves.returned[index])
    return {
        "reference_named": named.astype(np.float64),
        "reference_sd": np.where(same, 0.0, both / 100.0),
        "common_change": np.where(heard, given.change[index], np.nan),
        "common_u": np.where(heard, np.sqrt(given.variance[index]), np.nan),
    }


def ends(lines: Lines, index: Ints) -> Floats:
    """Return what a diagnosis looks at of the points of S calibrations.

    Returns
    -------
    (7, S) array
        Lowest load and mean reading there, the same of the highest load; of the points between,
        mean load, mean reading (NaN where there are none) and how many [N], [reading].
    """
    points = lines.points
    counts = points.counts[index]
    own = np.repeat(np.arange(len(index)), counts)
    starts = np.cumsum(counts) - counts
    first = (np.cumsum(points.counts) - points.counts)[index]
    rows = np.arange(len(own)) + (first - starts)[own]
    load, reading = points.load[rows], points.reading[rows]
    low, high = np.minimum.reduceat(load, starts), np.maximum.reduceat(load, starts)
    at_low, at_high = load == low[own], load == high[own]
    between, size = ~(at_low | at_high), len(index)
    zero, span = (_means(reading, own, which, size) for which in (at_low, at_high))
    middle = [_means(values, own, between, size) for values in (load, reading)]
    return np.stack((low, zero, high, span, *middle, np.bincount(own, between, size)))


def _means(values: Floats, own: Ints, which: Bools, size: int) -> Floats:
    """Mean of the values of each calibration that are meant, added as they come; NaN for none."""
    mine = own[which]
    count = np.bincount(mine, minlength=size)
    whole = np.bincount(mine, weights=values[which], minlength=size)
    return np.where(count > 0, whole / np.maximum(count, 1), np.nan)
