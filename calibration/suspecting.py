"""What probably went wrong: ranked causes of surprising calibrations, and whom not to believe."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import History
from calibration.expecting import Together
from calibration.metrology.causes import CAUSES
from calibration.metrology.diagnosis import diagnose, ranked
from calibration.metrology.evidence import Evidence
from calibration.metrology.expectation import Expectation
from calibration.metrology.fit import Lines
from calibration.metrology.pairing import NONE, Pairs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Neighbours = Mapping[int, list[tuple[float, float]]]

COMMON_CAUSE: dict[str, Any] = next(
    {"code": cause.code, "probability": 1.0, "says": cause.says, "check": cause.check}
    for cause in CAUSES
    if cause.code == "common_reference"
)
_TO_REPEAT = np.array([cause.remedy in {"repeat", "correct"} for cause in CAUSES])
_FEWEST_OTHERS = 3  # fewer cells of the day say nothing about the reference


@dataclass(frozen=True)
class Scene:
    """What is known about the calibrations of a case, as arrays of length K.

    Attributes
    ----------
    history, pairs : History, Pairs
    lines, keep : Lines, (K,) array
        All lines, and which of them are the case's.
    shared : Together
    neighbours : mapping
        Index -> (slope, offset) of the other sensors on the machine.
    """

    history: History
    pairs: Pairs
    lines: Lines
    keep: Ints
    shared: Together
    neighbours: Neighbours


def probabilities(scene: Scene, expectation: Expectation, index: Ints) -> Floats:
    """Return (len(index), causes) probabilities for the calibrations at these indices."""
    if not len(index):
        return np.zeros((0, len(CAUSES)))
    return diagnose(_evidence(scene, expectation, index)).probabilities


def to_repeat(found: Floats) -> NDArray[np.bool_]:
    """Where the numbers are more probably wrong than the cell: nothing is learnt from them."""
    share = np.zeros(len(found))
    for column in np.flatnonzero(_TO_REPEAT):
        share = share + found[:, column]
    return np.asarray(share >= 0.5)


def ranked_causes(index: Ints, found: Floats) -> dict[int, list[dict[str, Any]]]:
    """Return the ranked causes by index."""
    return {i: ranked(row) for i, row in zip(index.tolist(), found, strict=True)}


def _evidence(scene: Scene, expectation: Expectation, index: Ints) -> Evidence:
    history, pairs, lines, keep = scene.history, scene.pairs, scene.lines, scene.keep
    before = pairs.before[index]
    ends, last = _ends(lines, keep[index]), _ends(lines, keep[np.maximum(before, 0)])
    alone = before == NONE
    same = ~alone & (history.reference[index] == history.reference[before])
    earlier = np.where(alone, 0.0, history.reference_pct[before])
    reference = np.hypot(history.reference_pct[index], earlier)
    around = _padded([scene.neighbours.get(i, []) for i in index.tolist()])
    common = scene.shared.common
    heard = (common.members[index] > _FEWEST_OTHERS) & (history.reference[index] != NONE)
    extras = {
        name: values[index]
        for name, values in history.extras.items()
        if name not in {"machine", "tag_span_load"}
    }
    scale = 1e-9 * np.abs(lines.slope[keep[index]]) * history.rated_load[index]
    extras["reading_sd"] = np.maximum(extras["reading_sd"], scale)
    return Evidence(
        zero_load=ends[0],
        zero_reading=ends[1],
        span_load=ends[2],
        span_reading=ends[3],
        expected_slope=expectation.slope[index],
        expected_offset=expectation.offset[index],
        var_slope=expectation.var_slope[index],
        var_offset=expectation.var_offset[index],
        covariance=expectation.covariance[index],
        rated_load=history.rated_load[index],
        reference_sd=np.where(same, 0.0, reference / 100.0),
        middle_load=ends[4],
        middle_reading=ends[5],
        middle_count=ends[6],
        last_zero_reading=np.where(alone, np.nan, last[1]),
        last_span_reading=np.where(alone, np.nan, last[3]),
        neighbour_slope=around[..., 0],
        neighbour_offset=around[..., 1],
        common_change=np.where(heard, common.others.change[index], np.nan),
        common_u=np.where(heard, np.sqrt(common.others.variance[index]), np.nan),
        **extras,
    )


def _padded(rows: list[list[tuple[float, float]]]) -> Floats:
    """(M, B, 2) with NaN where a machine has fewer neighbours."""
    width = max((len(row) for row in rows), default=0)
    table = np.full((len(rows), width, 2), np.nan)
    for place, row in zip(table, rows, strict=True):
        if row:
            place[: len(row)] = row
    return table


def _ends(lines: Lines, index: Ints) -> Floats:
    """Lowest load and mean reading there, the same of the highest; between: means, and how many.

    Seven rows of one column a calibration.
    """
    points = lines.points
    stops = np.cumsum(points.counts)
    found = np.full((len(index), 7), np.nan)
    for row, i in zip(found, index.tolist(), strict=True):
        part = slice(int(stops[i] - points.counts[i]), int(stops[i]))
        load, reading = points.load[part], points.reading[part]
        low, high = load.min(), load.max()
        row[:4] = low, reading[load == low].mean(), high, reading[load == high].mean()
        between = (load > low) & (load < high)
        row[6] = between.sum()
        if between.any():
            row[4:6] = load[between].mean(), reading[between].mean()
    return found.T
