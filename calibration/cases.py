"""A case: the calibrations of a history that count, with their rules and the earlier ones."""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from calibration.adjusting import pairs_of
from calibration.arrays import MINUTES, VISIT, History
from calibration.metrology import drift, felt, pairing
from calibration.metrology.coverage import coverage_factor
from calibration.metrology.drift import Change, LineState
from calibration.metrology.fit import Lines
from calibration.metrology.pairing import Pairs
from calibration.policies import Rule, Rulebook

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Limits:
    """The rule of each calibration, as arrays of length M; setpoints [N] one row each, (S, M)."""

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
        found, which, length = _rules(history, rules)

        def column(name: str) -> Floats:
            values = np.array([getattr(rule, name) for rule in found], dtype=np.float64)
            return np.repeat(values[which], length)

        offset_pct = column("offset_tolerance_pct")
        return cls(
            slope_pct=column("slope_tolerance_pct"),
            offset=offset_pct / 100.0 * history.rated_load,
            offset_pct=offset_pct,
            flag=column("flag_probability"),
            watch=column("watch_probability"),
            reliability=column("target_reliability"),
            setpoints=np.repeat(_setpoints(found)[:, which], length, axis=1),
        )


def _rules(history: History, rules: Rulebook) -> tuple[list[Rule], Ints, Ints]:
    """The rules that occur; which of them each run of equal calibrations has, and its length."""
    starts = np.flatnonzero(pairing.changes(history.model) | pairing.changes(history.dealer))
    models, model = np.unique(history.model[starts], return_inverse=True)
    dealers, dealer = np.unique(history.dealer[starts], return_inverse=True)
    both, which = np.unique(model * len(dealers) + dealer, return_inverse=True)
    found = [
        rules.rule(int(models[key // len(dealers)]), int(dealers[key % len(dealers)]))
        for key in both.tolist()
    ]
    return found, which, np.diff(np.append(starts, len(history)))


class Case:
    """The calibrations that are not superseded, compared with those before them: K long arrays."""

    def __init__(self, history: History, lines: Lines, rules: Rulebook) -> None:
        self.keep = keep = np.flatnonzero(~history.superseded)
        whole = len(keep) == len(history)
        self.history = history if whole else history.take(keep)
        self.lines = lines
        self.state = state_of(lines, history.reference_pct, slice(None) if whole else keep)
        self.limits = Limits.of(self.history, rules)
        self.pairs: Pairs = pairs_of(self.history, self.state)
        self.change, self.since_first = self._changes()

    @property
    def families(self) -> tuple[Ints, NDArray[np.str_]]:
        """The sensor model and the lot of each segment."""
        starts = self.pairs.segment_start == np.arange(len(self.history))
        return self.history.model[starts], self.history.lot[starts]

    def _changes(self) -> tuple[Change, Change]:
        """Compare with the previous and the first calibrations; NaN where there is none."""
        previous, first = self.pairs.previous, self.pairs.first
        blank = [np.full(len(self.history), np.nan) for _ in fields(Change)]
        change = self._against(previous, np.flatnonzero(previous != pairing.NONE), blank)
        # The second calibration of a segment has but one before it: compared once.
        further = (first != previous) & (first != pairing.NONE)
        before = list(vars(change).values())
        return change, self._against(first, np.flatnonzero(further), before)

    def _against(self, other: Ints, rows: Ints, otherwise: list[Floats]) -> Change:
        """Compare these rows with the calibrations at `other`; the rest is as it was."""
        index, reference = other[rows], self.history.reference
        found = drift.compare(
            take_state(self.state, index),
            take_state(self.state, rows),
            same_reference=reference[index] == reference[rows],
            slope_tolerance_pct=self.limits.slope_pct[rows],
            offset_tolerance=self.limits.offset[rows],
        )
        columns = [values.copy() for values in otherwise]
        for column, values in zip(columns, vars(found).values(), strict=True):
            column[rows] = values
        return Change(*columns)

    def confirmed(self, rows: Ints, anew: Bools) -> Bools:
        """Whether the next calibration of the segment shows the same again as each of these.

        For those that are to be confirmed `anew`, the next on another visit. What was copied to
        the last digit measures nothing.
        """
        minute = self.pairs.segment_index * MINUTES + self.history.minute
        later = np.where(anew, np.searchsorted(minute, minute[rows] + VISIT), rows + 1)
        there = later < len(minute)
        later = np.where(there, later, rows)
        there &= self.pairs.segment_index[later] == self.pairs.segment_index[rows]
        slope, offset = self.state.slope, self.state.offset
        change = np.abs(slope[later] / slope[rows] - 1.0) * 100.0
        shift = np.abs((offset[later] - offset[rows]) / slope[rows])
        there &= (slope[later] != slope[rows]) | (offset[later] != offset[rows])
        there &= (change < self.limits.slope_pct[rows]) & (shift < self.limits.offset[rows])
        return there


def without_line(history: History, lines: Lines) -> History:
    """Return a history in which calibrations that give no line count no more than superseded.

    No such record is taken in now, but an earlier release took some: level, or out of all bounds.
    They say nothing of the cell, and must not keep the others from being judged.
    """
    numbers = (lines.slope, lines.offset, lines.u_slope_random, lines.u_offset, lines.covariance)
    usable = lines.slope != 0.0
    for each in numbers:
        usable &= np.isfinite(each)
    return history if usable.all() else replace(history, superseded=history.superseded | ~usable)


def state_of(lines: Lines, reference_pct: Floats, keep: Ints | slice) -> LineState:
    """Return slopes and offsets of the calibrations at these indices.

    Where the residuals alone give the scale, it is known no better than their few degrees of
    freedom allow. Everything that is judged takes errors as normal, so these uncertainties are
    widened until twice of them covers what the t-distribution asks for (JCGM 100:2008, G.3).
    """
    state = LineState(
        slope=lines.slope[keep],
        offset=lines.offset[keep],
        u_slope=lines.u_slope_random[keep],
        u_offset=lines.u_offset[keep],
        covariance=lines.covariance[keep],
        reference_pct=reference_pct[keep],
    )
    if lines.stated.all():
        return state
    wider = _widening(lines)[keep]
    return replace(
        state,
        u_slope=state.u_slope * wider,
        u_offset=state.u_offset * wider,
        covariance=state.covariance * wider**2,
    )


def _widening(lines: Lines) -> Floats:
    freedom = np.where(lines.stated, np.inf, np.maximum(lines.degrees_of_freedom, 1))
    return coverage_factor(freedom) / float(coverage_factor(np.array(np.inf)))


def take_state(state: LineState, index: Ints) -> LineState:
    """Return the states at these indices."""
    return LineState(**{name: values[index] for name, values in vars(state).items()})


def _setpoints(rules: list[Rule]) -> Floats:
    """(S, R) setpoints [N], NaN where a rule has fewer."""
    table = np.full(
        (max((len(rule.setpoints_n) for rule in rules), default=0), len(rules)), np.nan
    )
    for column, rule in zip(table.T, rules, strict=True):
        column[: len(rule.setpoints_n)] = rule.setpoints_n
    return table


def worst_felt(case: Case) -> Floats:
    """Largest error [% of the setpoint] that the operator felt; NaN where that is unknown."""
    previous = case.pairs.previous
    console = take_state(case.state, np.maximum(previous, 0))
    worst = felt.worst_error_pct(console, case.state, case.limits.setpoints)
    return np.where(previous == pairing.NONE, np.nan, worst)
