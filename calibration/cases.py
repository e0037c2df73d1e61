"""A case: the calibrations of a history that count, with their rules and the earlier ones."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import History
from calibration.metrology import drift, felt, pairing
from calibration.metrology.drift import Change, LineState
from calibration.metrology.fit import Lines
from calibration.metrology.pairing import Pairs
from calibration.policies import Rule, Rulebook
from calibration.tending import Tendency, tend

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


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

    @property
    def families(self) -> tuple[Ints, NDArray[np.str_]]:
        """The sensor model and the lot of each segment."""
        starts = self.pairs.segment_start == np.arange(len(self.history))
        return self.history.model[starts], self.history.lot[starts]

    def _against(self, other: Ints) -> Change:
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

    def confirmed(self) -> Bools:
        """Where the calibration that follows in the segment shows the same again."""
        follows = np.zeros(len(self.history), dtype=bool)
        later = np.flatnonzero(self.pairs.before != pairing.NONE)
        this = self.pairs.before[later]
        slope = np.abs(self.state.slope[later] / self.state.slope[this] - 1.0) * 100.0
        shift = np.abs(
            (self.state.offset[later] - self.state.offset[this]) / self.state.slope[this]
        )
        follows[this] = (slope < self.limits.slope_pct[this]) & (shift < self.limits.offset[this])
        return follows


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


def worst_felt(case: Case) -> Floats:
    """Largest error [% of the setpoint] that the operator felt; NaN where that is unknown."""
    setpoints = case.limits.setpoints
    if not setpoints.shape[1]:
        return np.full(len(case.keep), np.nan)
    index = np.maximum(case.pairs.previous, 0)
    result = felt.at_setpoints(take_state(case.state, index), case.state, setpoints)
    share = np.abs(result.error) / setpoints * 100.0
    worst = np.where(np.isnan(share), -1.0, share).max(axis=1)
    return np.where((case.pairs.previous == pairing.NONE) | (worst < 0), np.nan, worst)
