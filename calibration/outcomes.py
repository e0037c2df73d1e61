"""What follows from a weighed case, as columns: fits, judgements, flags, and a digest of them."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import suspecting
from calibration.arrays import History, uuids
from calibration.cases import worst_felt
from calibration.columns import NO_DATE, Incoming, Kind
from calibration.due import Newest
from calibration.flags import Wanted
from calibration.metrology import expectation, fit, pairing
from calibration.metrology.drift import Change
from calibration.models import DriftFlag, Verdict
from calibration.weighing import BEYOND, WATCH, WITHIN, Weighed

Ints = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]

METHOD = expectation.METHOD
LEVELS = tuple(str(verdict) for verdict in (Verdict.WITHIN, Verdict.WATCH, Verdict.BEYOND))
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
# Kinds that are not real numbers; see `calibration.columns`.
_FIT_KINDS: dict[str, Kind] = {"calibration": "uuid", "degrees_of_freedom": "key"}
_JUDGEMENT_KINDS: dict[str, Kind] = {
    "calibration": "uuid",
    "sensor": "key",
    "performed_at": "moment",
    "reference": "key",
    "season": "key",
    "segment": "key",
    "verdict": LEVELS,
    "previous": "uuid",
    "first": "uuid",
    "trusted": "flag",
    "common_members": "key",
    "expected_crossing": "date",
    "earliest_crossing": "date",
}


@dataclass(frozen=True)
class Outcome:
    """What follows from the calibrations of some sensors.

    Attributes
    ----------
    history : History
        All calibrations, length M.
    weighed : Weighed
        Those that are not superseded, length K.
    fits, judgements : dict of (M,) and (K,) arrays
        The columns of the two tables.
    """

    history: History
    weighed: Weighed
    fits: Columns
    judgements: Columns

    def fit_rows(self, which: Ints) -> Incoming:
        """Return the fits of the calibrations at these indices of the history."""
        kinds = {name: _FIT_KINDS.get(name, "real") for name in self.fits}
        values = {name: column[which] for name, column in self.fits.items()}
        return Incoming(kinds, values, constants={"method": fit.METHOD})

    def judgement_rows(self, which: Ints) -> Iterable[Incoming]:
        """Return the judgements at these indices of the case: those without causes, and others."""
        kinds = {name: _JUDGEMENT_KINDS.get(name, "real") for name in self.judgements}
        plain = ~np.isin(which, self.weighed.index)
        for rows, blobs in ((which[plain], {}), (which[~plain], self._causes(which[~plain]))):
            values = {name: column[rows] for name, column in self.judgements.items()}
            constants = {"method": METHOD} | ({} if blobs else {"causes": "[]"})
            yield Incoming(kinds, values, blobs=blobs, constants=constants)

    def _causes(self, which: Ints) -> dict[str, list[str]]:
        return {"causes": [json.dumps(self.weighed.causes_of(i)) for i in which.tolist()]}


def outcome_of(history: History, weighed: Weighed) -> Outcome:
    """Return what follows from a weighed case."""
    return Outcome(history, weighed, _fits(history, weighed), _judgements(weighed))


def _fits(history: History, weighed: Weighed) -> Columns:
    lines = weighed.case.lines
    scattered = lines.degrees_of_freedom > 0
    return {
        "calibration": history.ids,
        "slope": lines.slope,
        "offset": lines.offset,
        "u_slope": lines.u_slope,
        "u_slope_random": lines.u_slope_random,
        "u_offset": lines.u_offset,
        "covariance": lines.covariance,
        "pivot_load": lines.pivot_load,
        "u_pivot": lines.u_pivot,
        "residual_sd": np.where(scattered, lines.residual_sd, np.nan),
        "birge_ratio": np.where(scattered, lines.birge_ratio, np.nan),
        "degrees_of_freedom": lines.degrees_of_freedom,
        "reference_pct": history.reference_pct,
    }


def _judgements(weighed: Weighed) -> Columns:
    case, outlook = weighed.case, weighed.outlook
    return (
        {
            "calibration": case.history.ids,
            "sensor": case.history.sensor,
            "performed_at": case.history.moment,
            "reference": case.history.reference,
            "season": case.history.season,
            "segment": case.pairs.segment,
            "verdict": outlook.level,
            "previous": _ids_at(case.history, case.pairs.previous),
            "first": _ids_at(case.history, case.pairs.first),
            "trusted": outlook.trusted,
            "slope_tolerance_pct": case.limits.slope_pct,
            "offset_tolerance": case.limits.offset,
            "worst_error_pct": worst_felt(case),
            "slope_pct_per_year": case.tendency.slope_pct_per_year,
            "expected_crossing": _dates(case.tendency.expected_crossing),
            "earliest_crossing": _dates(case.tendency.earliest_crossing),
        }
        | _change_columns(case.change)
        | _change_columns(case.since_first, "first_")
        | _change_columns(outlook.expected_change, "expected_")
        | _expected(weighed)
        | _shared(weighed)
    )


def _ids_at(history: History, index: Ints) -> NDArray[np.void]:
    """The calibrations at these indices; zeros where there is none."""
    found = history.ids[np.maximum(index, 0)]
    found[index == pairing.NONE] = np.zeros(1, dtype="V16")[0]
    return found


def _dates(day: NDArray[np.float64]) -> NDArray[np.int32]:
    there = np.isfinite(day)
    days = np.floor(np.where(there, day, 0.0))
    return np.where(there, days, NO_DATE).astype(np.int32)


def _expected(weighed: Weighed) -> Columns:
    found = weighed.outlook.expectation

    def known(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(found.known, values, np.nan)

    return {
        "expected_slope": known(found.slope),
        "u_expected_slope": known(np.sqrt(found.var_slope)),
        "expected_offset": known(found.offset),
        "u_expected_offset": known(np.sqrt(found.var_offset)),
        "jump_probability": known(found.jump),
    }


def _shared(weighed: Weighed) -> Columns:
    common, steps = weighed.shared.common, weighed.steps
    there = common.members > 0
    follows = weighed.case.pairs.before != pairing.NONE
    return {
        "step": steps.step,
        "u_step": steps.u_step,
        "step_reference": np.where(follows, steps.reference_before, np.nan),
        "common_change_pct": np.where(there, 100.0 * common.change, np.nan),
        "u_common_change_pct": np.where(there, 100.0 * common.u_change, np.nan),
        "common_members": common.members,
        "reference_moved": np.where(there, common.moved, np.nan),
    }


def _change_columns(change: Change, prefix: str = "") -> Columns:
    return {
        f"{prefix}slope_change_pct": change.slope_pct,
        f"{prefix}u_slope_change_pct": change.u_slope_pct,
        f"{prefix}offset_change": change.offset,
        f"{prefix}u_offset_change": change.u_offset,
        f"{prefix}en_slope": change.en_slope,
        f"{prefix}en_offset": change.en_offset,
        f"{prefix}p_out_slope": change.p_out_slope,
        f"{prefix}p_out_offset": change.p_out_offset,
    }


# ── Flags ─────────────────────────────────────────────────────────────────────


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
        level, tolerance, size, p = (
            outlook.slope_level,
            case.limits.slope_pct,
            "slope_pct",
            "slope",
        )
        scale = np.ones(len(level))
    else:
        level, tolerance, size, p = (
            outlook.offset_level,
            case.limits.offset_pct,
            "offset",
            "offset",
        )
        scale = 100.0 / case.history.rated_load
    at = np.flatnonzero(level)
    p_now, p_first = (getattr(change, f"p_out_{p}")[at] for change in (now, case.since_first))
    size_now, size_first = (getattr(change, size)[at] for change in (now, case.since_first))
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
    dof = lines.degrees_of_freedom[at]
    chance = chdtrc(dof, dof * lines.birge_ratio[at] ** 2)
    rated = case.history.rated_load[many]
    scatter = np.abs(lines.residual_sd[at] / lines.slope[at]) / rated * 100.0
    share = scatter / case.limits.offset_pct[many]
    large = np.where(share > 1, BEYOND, np.where(share > 0.5, WATCH, WITHIN))
    level = np.where(chance < 0.01, large, WITHIN)
    there = level > WITHIN
    return WantedFlags(
        index=many[there],
        kind=np.full(int(there.sum()), FIT),
        level=level[there],
        magnitude=scatter[there],
        tolerance=case.limits.offset_pct[many][there],
        p_out=np.full(int(there.sum()), np.nan),
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


def newest(outcome: Outcome, sensor: Ints) -> Newest:
    """Return the last calibration of each of these sensors (sorted keys) that counts."""
    history = outcome.weighed.case.history
    at = np.searchsorted(history.sensor, sensor, side="right") - 1
    there = (at >= 0) & (history.sensor[np.maximum(at, 0)] == sensor)
    at = np.maximum(at, 0)
    day = outcome.judgements["earliest_crossing"][at].astype(np.float64)
    return Newest(
        sensor=sensor,
        calibration=np.where(there, history.ids[at], np.zeros(1, dtype="V16")),
        moment=np.where(there, history.moment[at], 0),
        installation=np.where(there, history.installation[at], -1),
        crossing=np.where(there & (day != NO_DATE), day, np.nan),
    )


# ── Digest ────────────────────────────────────────────────────────────────────

_ODD = np.uint64(0x9E3779B97F4A7C15)
_SHIFT = np.uint64(29)


def digest(outcome: Outcome, sensor: Ints) -> Ints:
    """Return a number for each of these sensors that changes with anything that follows.

    Parameters
    ----------
    outcome : Outcome
    sensor : (N,) array
        Sorted keys.

    Returns
    -------
    (N,) array
        64 bits over every column and cause; it shows change, it is no proof against forgery.
    """
    weighed = outcome.weighed
    judged = _mixed(outcome.judgements)
    if len(weighed.index):
        judged[weighed.index] = _mixed_into(judged[weighed.index], weighed.chances.T)
    methods = f"{fit.METHOD} {METHOD} {sorted(outcome.fits)} {sorted(outcome.judgements)}"
    seed = int.from_bytes(hashlib.sha256(methods.encode()).digest()[:8], "little")
    total = np.full(len(sensor), seed, dtype=np.uint64)
    for keys, values in (
        (outcome.history.sensor, _mixed(outcome.fits)),
        (weighed.case.history.sensor, judged),
    ):
        running = np.concatenate((np.zeros(1, dtype=np.uint64), np.cumsum(values)))
        since, until = (np.searchsorted(keys, sensor, side=side) for side in ("left", "right"))
        total += running[until] - running[since]
    return total.view(np.int64)


def _mixed(columns: Columns) -> NDArray[np.uint64]:
    mixed = np.zeros(len(next(iter(columns.values()))), dtype=np.uint64)
    return _mixed_into(mixed, columns.values())


def _mixed_into(mixed: NDArray[np.uint64], columns: Iterable[NDArray[Any]]) -> NDArray[np.uint64]:
    for column in columns:
        for bits in _bits(column):
            mixed ^= bits
            mixed *= _ODD
            mixed ^= mixed >> _SHIFT
    return mixed


def _bits(column: NDArray[Any]) -> list[NDArray[np.uint64]]:
    """Sixty-four bits of each value; all NaN alike."""
    if column.dtype.kind == "V":
        halves = np.ascontiguousarray(column).view(np.uint64).reshape(-1, 2)
        return [halves[:, 0], halves[:, 1]]
    if column.dtype.kind == "f":
        return [(np.where(np.isnan(column), np.nan, column)).view(np.uint64)]
    return [column.astype(np.int64).view(np.uint64)]
