"""What probably went wrong: the day's common change, and the causes of surprising calibrations."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import History
from calibration.company import Siblings
from calibration.metrology.causes import CAUSES
from calibration.metrology.conformity import p_out
from calibration.metrology.diagnosis import diagnose, ranked
from calibration.metrology.drift import Change
from calibration.metrology.evidence import Evidence
from calibration.metrology.fit import Lines
from calibration.metrology.pairing import NONE, Pairs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FEWEST_SIBLINGS = 3
_MEDIAN_EFFICIENCY = 1.2533  # sqrt(pi / 2): standard error of a median over that of a mean
_MAD_TO_SD = 1.4826

COMMON_CAUSE: dict[str, Any] = next(
    {"code": cause.code, "probability": 1.0, "says": cause.says, "check": cause.check}
    for cause in CAUSES
    if cause.code == "common_reference"
)


@dataclass(frozen=True)
class Common:
    """What the other cells of each calibration's day and reference have in common.

    Attributes
    ----------
    change_pct, u_change_pct : (K,) arrays [%]
        Median slope change of the others and its standard uncertainty; NaN where there are too
        few of them.
    significant : (K,) array of bool
        The others moved together, by more than chance and by more than half the tolerance.
    leads : (K,) array of bool
        The first calibration of its day and reference in these data.
    """

    change_pct: Floats
    u_change_pct: Floats
    significant: Bools
    leads: Bools

    def explains(self, change: Change, tolerance_pct: Floats, watch: Floats) -> Bools:
        """Where the slope's change is within tolerance once the common part is taken off."""
        own = np.nan_to_num(change.slope_pct - self.change_pct)
        u = np.nan_to_num(np.hypot(change.u_slope_pct, self.u_change_pct))
        return np.asarray(self.significant & (p_out(own, u, tolerance_pct) < watch))


def common_changes(history: History, change: Change, level: Ints, siblings: Siblings) -> Common:
    """Estimate, for each calibration, what the others of its day and reference have in common."""
    count = len(history)
    day = np.floor(history.day).astype(np.int64)
    own = ~np.isnan(change.slope_pct) & (history.reference != -1)
    reference = np.concatenate((history.reference[own], siblings.reference))
    days = np.concatenate((day[own], siblings.day))
    sensor = np.concatenate((history.sensor[own], siblings.sensor))
    slope = np.concatenate((change.slope_pct[own], siblings.slope_pct))
    u_slope = np.concatenate((change.u_slope_pct[own], siblings.u_slope_pct))
    middle, u_middle = np.full(count, np.nan), np.full(count, np.nan)
    leads = np.zeros(count, dtype=bool)
    groups: dict[tuple[int, int], Ints] = _groups(reference, days)
    for i in np.flatnonzero(own & (level > 0)).tolist():
        members = groups[int(history.reference[i]), int(day[i])]
        others = members[sensor[members] != history.sensor[i]]
        leads[i] = history.sensor[i] == sensor[members].min()
        if len(others) >= FEWEST_SIBLINGS:
            middle[i], u_middle[i] = _median(slope[others], u_slope[others])
    tolerance = 1.5  # % of slope: half of the usual tolerance; below it nobody is misled
    with np.errstate(invalid="ignore"):
        significant = (np.abs(middle) > tolerance) & (np.abs(middle) > 3.0 * u_middle)
    return Common(middle, u_middle, significant, leads)


def _groups(reference: Ints, day: Ints) -> dict[tuple[int, int], Ints]:
    order = np.lexsort((day, reference))
    keys = np.stack([reference[order], day[order]], axis=1)
    changed = np.flatnonzero((np.diff(keys, axis=0) != 0).any(axis=1)) + 1
    return {
        (int(reference[part[0]]), int(day[part[0]])): part
        for part in np.split(order, changed)
        if len(part)
    }


def _median(values: Floats, u: Floats) -> tuple[float, float]:
    middle = float(np.median(values))
    spread = _MAD_TO_SD * float(np.median(np.abs(values - middle)))
    each = max(spread, float(np.median(u)))
    return middle, _MEDIAN_EFFICIENCY * each / float(np.sqrt(len(values)))


def causes(
    history: History,
    lines: Lines,
    keep: Ints,
    pairs: Pairs,
    level: Ints,
    common: Common,
    neighbours: dict[int, list[tuple[float, float]]],
) -> dict[int, list[dict[str, Any]]]:
    """Return ranked causes by index, for the calibrations that are watched or beyond."""
    index = np.flatnonzero((level > 0) & (pairs.previous != NONE))
    if not len(index):
        return {}
    evidence = _evidence(history, lines, keep, pairs, index, common, neighbours)
    found = diagnose(evidence)
    return {i: ranked(row) for i, row in zip(index.tolist(), found.probabilities, strict=True)}


def _evidence(
    history: History,
    lines: Lines,
    keep: Ints,
    pairs: Pairs,
    index: Ints,
    common: Common,
    neighbours: dict[int, list[tuple[float, float]]],
) -> Evidence:
    now, before = keep[index], keep[pairs.previous[index]]
    ends, last = _ends(lines, now), _ends(lines, before)
    same = history.reference[index] == history.reference[pairs.previous[index]]
    reference = np.hypot(
        history.reference_pct[index], history.reference_pct[pairs.previous[index]]
    )
    around = _padded([neighbours.get(i, []) for i in index.tolist()])
    extras = {name: values[index] for name, values in history.extras.items() if name != "machine"}
    extras["reading_sd"] = np.maximum(
        extras["reading_sd"], 1e-9 * np.abs(lines.slope[before]) * history.rated_load[index]
    )
    return Evidence(
        zero_load=ends[0],
        zero_reading=ends[1],
        span_load=ends[2],
        span_reading=ends[3],
        expected_slope=lines.slope[before],
        expected_offset=lines.offset[before],
        var_slope=lines.u_slope_random[before] ** 2,
        var_offset=lines.u_offset[before] ** 2,
        covariance=lines.covariance[before],
        rated_load=history.rated_load[index],
        reference_sd=np.where(same, 0.0, reference / 100.0),
        last_zero_reading=last[1],
        last_span_reading=last[3],
        neighbour_slope=around[..., 0],
        neighbour_offset=around[..., 1],
        common_change=common.change_pct[index] / 100.0,
        common_u=common.u_change_pct[index] / 100.0,
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


def _ends(lines: Lines, index: Ints) -> tuple[Floats, Floats, Floats, Floats]:
    """Lowest load, mean reading there, highest load, mean reading there; of each calibration."""
    points = lines.points
    stops = np.cumsum(points.counts)
    found = np.empty((len(index), 4))
    for row, i in zip(found, index.tolist(), strict=True):
        part = slice(int(stops[i] - points.counts[i]), int(stops[i]))
        load, reading = points.load[part], points.reading[part]
        low, high = load.min(), load.max()
        row[:] = low, reading[load == low].mean(), high, reading[load == high].mean()
    return found[:, 0], found[:, 1], found[:, 2], found[:, 3]
