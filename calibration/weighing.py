"""Weighs a history: arrays and lines in, judgements and flags out. No reading, no writing."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import suspecting
from calibration.arrays import History, day_to_date, rows_of
from calibration.company import Company
from calibration.flags import Wanted
from calibration.metrology import drift, felt, pairing
from calibration.metrology.drift import Change, LineState
from calibration.metrology.fit import Lines
from calibration.metrology.pairing import Pairs
from calibration.models import DriftFlag, Judgement, Verdict
from calibration.policies import Rule, Rulebook
from calibration.suspecting import Common
from calibration.tending import Tendency, tend

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Causes = dict[int, list[dict[str, Any]]]

METHOD = drift.METHOD
_LEVELS = np.array([Verdict.WITHIN, Verdict.WATCH, Verdict.BEYOND])


@dataclass(frozen=True)
class Limits:
    """The rule of each calibration, as arrays of length M."""

    slope_pct: Floats
    offset: Floats
    offset_pct: Floats
    flag: Floats
    watch: Floats
    reliability: Floats
    setpoints: Floats

    @classmethod
    def of(cls, history: History, rules: Rulebook) -> "Limits":
        """Look the rules up, once per sensor model and dealer."""
        keys, where = np.unique(
            np.stack([history.model, history.dealer], axis=1), axis=0, return_inverse=True
        )
        found = [rules.rule(int(model), int(dealer)) for model, dealer in keys]
        where = where.reshape(-1)

        def column(name: str) -> Floats:
            return np.array([getattr(rule, name) for rule in found], dtype=np.float64)[where]

        return cls(
            slope_pct=column("slope_tolerance_pct"),
            offset=column("offset_tolerance_pct") / 100.0 * history.rated_load,
            offset_pct=column("offset_tolerance_pct"),
            flag=column("flag_probability"),
            watch=column("watch_probability"),
            reliability=column("target_reliability"),
            setpoints=_setpoints(found)[where],
        )


class Case:
    """The calibrations that are not superseded, compared with those before them: K long arrays."""

    def __init__(self, history: History, lines: Lines, rules: Rulebook) -> None:
        self.keep = keep = np.flatnonzero(~history.superseded)
        self.history = history.take(keep)
        self.lines = lines
        self.state = state_of(lines, history.reference_pct, keep)
        self.limits = Limits.of(self.history, rules)
        self.pairs: Pairs = pairing.pair(
            self.history.sensor,
            self.history.season,
            self.history.installation,
            self.history.starts_segment,
        )
        self.change = self._against(self.pairs.previous)
        self.since_first = self._against(self.pairs.first)
        self.tendency: Tendency = tend(
            self.history, self.state, self.pairs, self.limits.slope_pct, self.limits.reliability
        )
        self.slope_level = self._level(self.change.p_out_slope, self.since_first.p_out_slope)
        self.offset_level = self._level(self.change.p_out_offset, self.since_first.p_out_offset)
        self.level = np.maximum(self.slope_level, self.offset_level)

    def _against(self, other: NDArray[np.int64]) -> Change:
        """Compare with the calibrations at these indices; NaN where there is none."""
        there = other != pairing.NONE
        index = np.where(there, other, np.arange(len(other)))
        found = drift.compare(
            take_state(self.state, index),
            self.state,
            same_reference=self.history.reference[index] == self.history.reference,
            slope_tolerance_pct=self.limits.slope_pct,
            offset_tolerance=self.limits.offset,
        )
        return Change(**{k: np.where(there, v, np.nan) for k, v in vars(found).items()})

    def _level(self, p_previous: Floats, p_first: Floats) -> NDArray[np.int64]:
        """0 within, 1 watch, 2 beyond; a slow sum since the first is watched, not flagged."""
        beyond = p_previous >= self.limits.flag
        watch = (p_previous >= self.limits.watch) | (p_first >= self.limits.flag)
        return np.where(beyond, 2, np.where(watch, 1, 0))


@dataclass(frozen=True)
class Weighed:
    """Judgements of the calibrations that take part, and the flags they ask for."""

    judgements: list[Judgement]
    flags: list[Wanted]


def weigh(case: Case, company: Company) -> Weighed:
    """Return what follows for every calibration of a case, given what others did."""
    common = suspecting.common_changes(case.history, case.change, case.level, company.siblings)
    explained = common.explains(case.change, case.limits.slope_pct, case.limits.watch)
    case.slope_level = np.where(explained, np.minimum(case.slope_level, 1), case.slope_level)
    case.level = np.maximum(case.slope_level, case.offset_level)
    causes = suspecting.causes(
        case.history, case.lines, case.keep, case.pairs, case.level, common, company.neighbours
    )
    return Weighed(
        judgements=_judgements(case, causes),
        flags=_line_flags(case, causes) + _scatter_flags(case) + _reference_flags(case, common),
    )


def state_of(lines: Lines, reference_pct: Floats, keep: NDArray[np.int64]) -> LineState:
    """Return slopes and offsets of the calibrations at these indices."""
    return LineState(
        slope=lines.slope[keep],
        offset=lines.offset[keep],
        u_slope=lines.u_slope_random[keep],
        u_offset=lines.u_offset[keep],
        covariance=lines.covariance[keep],
        reference_pct=reference_pct[keep],
    )


def take_state(state: LineState, index: NDArray[np.int64]) -> LineState:
    """Return the states at these indices."""
    return LineState(**{name: values[index] for name, values in vars(state).items()})


def _setpoints(rules: list[Rule]) -> Floats:
    """(R, S) setpoints [N], NaN where a rule has fewer."""
    width = max((len(rule.setpoints_n) for rule in rules), default=0)
    table = np.full((len(rules), width), np.nan)
    for row, rule in zip(table, rules, strict=True):
        row[: len(rule.setpoints_n)] = rule.setpoints_n
    return table


def _worst_felt(case: Case) -> Floats:
    """Largest error [% of the setpoint] that the operator felt; NaN where that is unknown."""
    setpoints = case.limits.setpoints
    if not setpoints.shape[1]:
        return np.full(len(case.keep), np.nan)
    index = np.maximum(case.pairs.previous, 0)
    result = felt.at_setpoints(take_state(case.state, index), case.state, setpoints)
    share = np.abs(result.error) / setpoints * 100.0
    worst = np.where(np.isnan(share), -1.0, share).max(axis=1)
    return np.where((case.pairs.previous == pairing.NONE) | (worst < 0), np.nan, worst)


def _judgements(case: Case, causes: Causes) -> list[Judgement]:
    columns: dict[str, NDArray[Any]] = {
        "season": case.history.season,
        "segment": case.pairs.segment,
        "slope_tolerance_pct": case.limits.slope_pct,
        "offset_tolerance": case.limits.offset,
        "worst_error_pct": _worst_felt(case),
        "slope_pct_per_year": case.tendency.slope_pct_per_year,
    }
    columns |= _change_columns(case.change) | _change_columns(case.since_first, "first_")
    rows = rows_of(Judgement, case.history.ids, columns, method=METHOD)
    ids = case.history.ids
    for i, row in enumerate(rows):
        row.verdict = str(_LEVELS[case.level[i]])
        previous, first = case.pairs.previous[i], case.pairs.first[i]
        row.previous_id = ids[previous] if previous != pairing.NONE else None
        row.first_id = ids[first] if first != pairing.NONE else None
        row.expected_crossing = _date(case.tendency.expected_crossing[i])
        row.earliest_crossing = _date(case.tendency.earliest_crossing[i])
        row.causes = causes.get(i, [])
    return rows


def _date(day: float) -> Any:
    return day_to_date(day) if np.isfinite(day) else None


def _change_columns(change: Change, prefix: str = "") -> dict[str, NDArray[Any]]:
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


def _line_flags(case: Case, causes: Causes) -> list[Wanted]:
    """A slope or offset flag for each calibration that is watched or beyond."""
    offset_pct = 100.0 / case.history.rated_load
    kinds = (
        (
            DriftFlag.Kind.SLOPE,
            case.slope_level,
            case.limits.slope_pct,
            ("slope_pct", "p_out_slope"),
            np.ones_like(offset_pct),
        ),
        (
            DriftFlag.Kind.OFFSET,
            case.offset_level,
            case.limits.offset_pct,
            ("offset", "p_out_offset"),
            offset_pct,
        ),
    )
    wanted = []
    for kind, level, tolerance, (size, probability), scale in kinds:
        for i in np.flatnonzero(level).tolist():
            # A watch that only the slow sum since the first asked for shows that sum.
            recent = getattr(case.change, probability)[i] >= case.limits.watch[i]
            source = case.change if recent else case.since_first
            wanted.append(
                Wanted(
                    sensor_id=int(case.history.sensor[i]),
                    calibration_id=case.history.ids[i],
                    kind=str(kind),
                    level=str(_LEVELS[level[i]]),
                    magnitude=float(getattr(source, size)[i] * scale[i]),
                    tolerance=float(tolerance[i]),
                    p_out=float(getattr(source, probability)[i]),
                    causes=causes.get(i, []),
                )
            )
    return wanted


def _scatter_flags(case: Case) -> list[Wanted]:
    """A flag where no line explains the points: too large for chance, and large at all."""
    from scipy.special import chdtrc

    lines, keep = case.lines, case.keep
    dof = lines.degrees_of_freedom[keep]
    chance = np.where(dof > 0, chdtrc(np.maximum(dof, 1), dof * lines.birge_ratio[keep] ** 2), 1.0)
    scatter = np.abs(lines.residual_sd[keep] / lines.slope[keep]) / case.history.rated_load * 100.0
    share = scatter / case.limits.offset_pct
    level = np.where(
        (chance < 0.01) & (share > 1), 2, np.where((chance < 0.01) & (share > 0.5), 1, 0)
    )
    return [
        Wanted(
            sensor_id=int(case.history.sensor[i]),
            calibration_id=case.history.ids[i],
            kind=str(DriftFlag.Kind.FIT),
            level=str(_LEVELS[level[i]]),
            magnitude=float(scatter[i]),
            tolerance=float(case.limits.offset_pct[i]),
            p_out=None,
        )
        for i in np.flatnonzero(level).tolist()
    ]


def _reference_flags(case: Case, common: Common) -> list[Wanted]:
    """One flag for all cells that moved together: on the first calibration of that day."""
    cause = suspecting.COMMON_CAUSE
    return [
        Wanted(
            sensor_id=int(case.history.sensor[i]),
            calibration_id=case.history.ids[i],
            kind=str(DriftFlag.Kind.REFERENCE),
            level=str(Verdict.BEYOND),
            magnitude=float(common.change_pct[i]),
            tolerance=float(case.limits.slope_pct[i]),
            causes=[dict(cause)],
        )
        for i in np.flatnonzero(common.significant & common.leads & (case.level > 0)).tolist()
    ]
