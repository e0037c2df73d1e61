"""Flags that calibrations ask for: as columns to compare, and whole to be stored."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import suspecting
from calibration.arrays import uuids
from calibration.flags import Wanted
from calibration.metrology import pairing
from calibration.models import DriftFlag
from calibration.outcomes import LEVELS
from calibration.weighing import BEYOND, WATCH, Weighed

Ints = NDArray[np.int64]

KINDS = tuple(
    str(kind)
    for kind in (
        DriftFlag.Kind.SLOPE,
        DriftFlag.Kind.OFFSET,
        DriftFlag.Kind.FIT,
        DriftFlag.Kind.REFERENCE,
    )
)
SLOPE, OFFSET, FIT, REFERENCE = range(4)


@dataclass(frozen=True)
class WantedFlags:
    """Flags that calibrations ask for, F of them.

    Attributes
    ----------
    index : (F,) array
        Of the calibration in the case.
    kind, level : (F,) arrays
        Places in KINDS and LEVELS.
    magnitude, tolerance, p_out : (F,) arrays
        See DriftFlag; NaN where there is no probability.
    """

    index: Ints
    kind: Ints
    level: Ints
    magnitude: NDArray[np.float64]
    tolerance: NDArray[np.float64]
    p_out: NDArray[np.float64]

    def take(self, which: NDArray[np.bool_]) -> "WantedFlags":
        """Return those where `which` is True."""
        return WantedFlags(**{name: values[which] for name, values in vars(self).items()})


def flags_of(weighed: Weighed) -> WantedFlags:
    """Return the flags that the calibrations of the case ask for."""
    parts = [
        _line_flags(weighed, SLOPE),
        _line_flags(weighed, OFFSET),
        _scatter_flags(weighed),
        _reference_flags(weighed),
    ]
    return WantedFlags(
        **{
            name: np.concatenate([vars(part)[name] for part in parts])
            for name in WantedFlags.__dataclass_fields__
        }
    )


def wanted(weighed: Weighed, found: WantedFlags) -> list[Wanted]:
    """Return flags with all that is stored of them."""
    history = weighed.case.history
    rows = zip(*(values.tolist() for values in vars(found).values()), strict=True)
    ids = uuids(history.ids[found.index])
    sensors = history.sensor[found.index].tolist()
    return [
        Wanted(
            sensor_id=sensor,
            calibration_id=calibration,
            kind=KINDS[kind],
            level=LEVELS[level],
            magnitude=magnitude,
            tolerance=tolerance,
            p_out=None if np.isnan(p_out) else p_out,
            causes=_flag_causes(kind, p_out, weighed.causes_of(i)),
        )
        for sensor, calibration, (i, kind, level, magnitude, tolerance, p_out) in zip(
            sensors, ids, rows, strict=True
        )
    ]


def _flag_causes(kind: int, p_out: float, causes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The calibration's own causes for its line; what moved for a reference; none for scatter."""
    if kind == REFERENCE:
        return [suspecting.COMMON_CAUSE | {"probability": p_out}]
    return [] if kind == FIT else causes


def _line_flags(weighed: Weighed, kind: int) -> WantedFlags:
    """A slope or offset flag for each calibration whose line is watched or beyond."""
    case, outlook, now = weighed.case, weighed.outlook, weighed.outlook.expected_change
    if kind == SLOPE:
        level, tolerance = outlook.slope_level, case.limits.slope_pct
        seen = now.p_out_slope, outlook.own_way.p_out, now.slope_pct, outlook.own_way.slope_pct
        scale = np.ones(len(level))
    else:
        level, tolerance, first = outlook.offset_level, case.limits.offset_pct, case.since_first
        seen = now.p_out_offset, first.p_out_offset, now.offset, first.offset
        scale = 100.0 / case.history.rated_load
    at = np.flatnonzero(level)
    p_now, p_first, size_now, size_first = (each[at] for each in seen)
    # A watch that only the slow sum since the first asked for shows that sum.
    slow = (p_now < case.limits.watch[at]) & (case.pairs.first[at] != pairing.NONE)
    return WantedFlags(
        index=at,
        kind=np.full(len(at), kind),
        level=level[at],
        magnitude=np.where(slow, size_first, size_now) * scale[at],
        tolerance=tolerance[at],
        p_out=np.where(slow, p_first, p_now),
    )


def _scatter_flags(weighed: Weighed) -> WantedFlags:
    """A flag where no line explains the points: too large for chance, and large at all."""
    from scipy.special import chdtrc

    case = weighed.case
    lines, keep = case.lines, case.keep
    many = np.flatnonzero(lines.degrees_of_freedom[keep] > 0)
    at = keep[many]
    rated, tolerance = case.history.rated_load[many], case.limits.offset_pct[many]
    scatter = np.abs(lines.residual_sd[at] / lines.slope[at]) / rated * 100.0
    large = scatter / tolerance > 0.5
    many, at, scatter, tolerance = many[large], at[large], scatter[large], tolerance[large]
    dof = lines.degrees_of_freedom[at]
    # Where nothing is stated to hold the scatter against, its size alone decides.
    chance = np.where(lines.stated[at], chdtrc(dof, dof * lines.birge_ratio[at] ** 2), 0.0)
    there = chance < 0.01
    size = scatter[there] / tolerance[there]
    return WantedFlags(
        index=many[there],
        kind=np.full(len(size), FIT),
        level=np.where(size > 1, BEYOND, WATCH),
        magnitude=scatter[there],
        tolerance=tolerance[there],
        p_out=np.full(len(size), np.nan),
    )


def _reference_flags(weighed: Weighed) -> WantedFlags:
    """One flag for all cells that moved together: on the first of their calibrations."""
    case, common = weighed.case, weighed.shared.common
    at = np.flatnonzero(weighed.outlook.moved & weighed.shared.leads)
    return WantedFlags(
        index=at,
        kind=np.full(len(at), REFERENCE),
        level=np.full(len(at), BEYOND),
        magnitude=100.0 * common.change[at],
        tolerance=case.limits.slope_pct[at],
        p_out=common.moved[at],
    )
