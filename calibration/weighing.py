"""Weighs a case: what was expected, levels and causes. No reading, no writing."""

import copy
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from calibration import expecting, suspecting
from calibration.arrays import History
from calibration.cases import Case, Limits
from calibration.company import Siblings
from calibration.expecting import Fleet, Steps, Together
from calibration.metrology import pairing
from calibration.metrology.conformity import en_number, p_out
from calibration.metrology.drift import Change, LineState
from calibration.metrology.expectation import Expectation
from calibration.metrology.pairing import Pairs
from calibration.moving import MOVED
from calibration.neighbours import Neighbours
from calibration.summing import OwnWay, own_way
from calibration.suspecting import Suspects
from calibration.tending import Tendency, tend

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Arrays = TypeVar("Arrays", bound="DataclassInstance")

WITHIN, WATCH, BEYOND = 0, 1, 2
FIRST_LIMIT = 2.5  # |E_n| from which a first calibration does not fit its tag
SLOW = 0.8  # probability from which the sum of small changes since the first is worth watching


@dataclass(frozen=True)
class Outlook:
    """What was expected of each calibration of a case, and how it compares.

    Attributes
    ----------
    expectation : Expectation
    expected_change : Change
        Against the level before, the common change taken off; NaN where nothing was expected.
    slope_level, offset_level : (K,) arrays
        0 within, 1 watch, 2 beyond.
    moved : (K,) array of bool
        Made with a reference that had moved, by so much that the numbers are not to be used.
    slow : (K,) array of bool
        Watched by nothing but the sum of small changes since the first.
    own_way : OwnWay
        That sum of the slope, what the references moved by taken off.
    trusted : (K,) array of bool
    """

    expectation: Expectation
    expected_change: Change
    slope_level: Ints
    offset_level: Ints
    moved: Bools
    slow: Bools
    own_way: OwnWay
    trusted: Bools

    @property
    def level(self) -> Ints:
        """The level of the verdict."""
        line = np.maximum(self.slope_level, self.offset_level)
        return np.asarray(np.where(self.moved, np.maximum(line, WATCH), line))


@dataclass(frozen=True)
class Weighed:
    """A case with all that follows from it; `suspects` are the surprising calibrations.

    The trends are those of the numbers that are believed.
    """

    case: Case
    steps: Steps
    shared: Together
    outlook: Outlook
    suspects: Suspects
    tendency: Tendency

    @property
    def index(self) -> Ints:
        """The surprising calibrations, rising, shape (S,)."""
        return self.suspects.index

    @property
    def chances(self) -> Floats:
        """The probabilities of their causes, shape (S, causes)."""
        return self.suspects.chances

    def causes_of(self, i: int) -> list[dict[str, Any]]:
        """Return the ranked causes of one calibration; none where it does not surprise."""
        place = np.searchsorted(self.index, [i, i + 1])
        rows = slice(int(place[0]), int(place[1]))
        return suspecting.ranked_causes(self.index[rows], self.chances[rows]).get(i, [])


@dataclass(frozen=True)
class Grounds:
    """What an outlook rests on: K calibrations of whole segments, and the N segments."""

    history: History
    state: LineState
    pairs: Pairs
    limits: Limits
    since_first: Change
    shared: Together
    fleet: Fleet

    @classmethod
    def of(cls, case: Case, fleet: Fleet, shared: Together) -> "Grounds":
        """Return those of a whole case."""
        return cls(
            case.history,
            case.state,
            case.pairs,
            case.limits,
            case.since_first,
            shared,
            fleet,
        )

    def take(self, rows: Ints) -> "Grounds":
        """Return those of some segments: all of their calibrations, rising."""
        return Grounds(
            self.history.take(rows),
            _take(self.state, rows),
            _pairs_of(self.pairs, rows),
            _take(self.limits, rows),
            _take(self.since_first, rows),
            _take(self.shared, rows),
            _take(self.fleet, np.unique(self.pairs.segment_index[rows])),
        )


def look(case: Case, fleet: Fleet, siblings: Siblings) -> tuple[Steps, Together, Outlook]:
    """Return what was expected of a case, given what its siblings did."""
    steps = expecting.steps_of(case.history, case.state, case.pairs, fleet.noise)
    shared = expecting.together(case.history, case.pairs, steps, siblings, case.limits.slope_pct)
    believed = np.ones(len(case.history), dtype=bool)
    return steps, shared, _outlook(Grounds.of(case, fleet, shared), believed)


def weigh(
    case: Case,
    fleet: Fleet,
    found: tuple[Steps, Together, Outlook],
    neighbours: Neighbours,
) -> Weighed:
    """Find out which calibrations are not to be believed, and what probably went wrong.

    One calibration of a segment at a time is set aside, the earliest first, and the rest of that
    segment judged anew: after a wrong one the next looks wrong as well. What the next one confirms
    is believed; a unit that was wrong on a form does so on the next visit only.
    """
    steps, shared, outlook = found
    scene = suspecting.Scene(case.history, case.pairs, case.lines, case.keep, shared, neighbours)
    grounds = Grounds.of(case, fleet, shared)
    rows, suspects = np.arange(len(case.history)), Suspects.none()
    while len(rows):
        index = rows[(outlook.level[rows] > WITHIN) & outlook.expectation.known[rows]]
        explained = outlook.slow, outlook.own_way.moved
        chances = suspecting.probabilities(scene, outlook.expectation, index, *explained)
        suspects = suspects.anew(rows, Suspects(index, chances))
        which = suspecting.to_repeat(chances) & outlook.trusted[index]
        wrong, anew = index[which], suspecting.of_a_form(chances[which])
        wrong = wrong[~case.confirmed(wrong, anew)]
        if not len(wrong):
            break
        outlook = copy.deepcopy(outlook) if outlook is found[2] else outlook
        rows = _set_aside(wrong, grounds, outlook)
    limits = case.limits.slope_pct, case.limits.reliability
    state = shared.moves.taken_off(case.state)
    tendency = tend(case.history, state, case.pairs, limits, outlook.trusted)
    return Weighed(case, steps, shared, outlook, suspects, tendency)


def _set_aside(wrong: Ints, grounds: Grounds, outlook: Outlook) -> Ints:
    """Believe the first of the wrong ones of each segment no longer, and look again.

    Writes into the outlook; returns the rows of these segments, which alone are touched.
    """
    segment = grounds.pairs.segment_index
    segments, first = np.unique(segment[wrong], return_index=True)
    outlook.trusted[wrong[first]] = False
    touched = np.zeros(int(segment[-1]) + 1, dtype=bool)
    touched[segments] = True
    rows = np.flatnonzero(touched[segment])
    part = _outlook(grounds.take(rows), outlook.trusted[rows])
    for whole, values in zip(_arrays(outlook), _arrays(part), strict=True):
        whole[rows] = values
    return rows


def _arrays(whole: "DataclassInstance") -> Iterator[NDArray[Any]]:
    """All arrays in a dataclass and in those within it, always in the same order."""
    for field in fields(whole):
        value = getattr(whole, field.name)
        yield from (value,) if isinstance(value, np.ndarray) else _arrays(value)


def _take(whole: Arrays, rows: Ints) -> Arrays:
    """The same dataclass with some rows of each of its arrays."""
    parts = {field.name: getattr(whole, field.name) for field in fields(whole)}
    taken: dict[str, Any] = {
        name: part[..., rows] if isinstance(part, np.ndarray) else _take(part, rows)
        for name, part in parts.items()
    }
    return replace(whole, **taken)


def _pairs_of(pairs: Pairs, rows: Ints) -> Pairs:
    """The pairs of some segments, numbered among these rows."""

    def moved(other: Ints) -> Ints:
        place = np.searchsorted(rows, other[rows]).astype(np.int64)
        return np.where(other[rows] == pairing.NONE, pairing.NONE, place)

    return Pairs(
        segment=pairs.segment[rows],
        segment_start=moved(pairs.segment_start),
        previous=moved(pairs.previous),
        first=moved(pairs.first),
        before=moved(pairs.before),
        segment_index=np.unique(pairs.segment_index[rows], return_inverse=True)[1],
    )


def _outlook(grounds: Grounds, trusted: Bools) -> Outlook:
    pairs, limits, shared = grounds.pairs, grounds.limits, grounds.shared
    since_first = grounds.since_first
    own = own_way(shared.moves, since_first, limits.slope_pct)
    expectation = expecting.expected(
        grounds.history, grounds.state, pairs, grounds.fleet, shared.taken_off, trusted
    )
    change = _expected_change(expectation, limits)
    first = pairs.before == pairing.NONE
    believed_first = trusted[pairs.segment_start]
    levels, sudden = [], np.zeros(len(first), dtype=bool)
    for p_now, p_first, en in (
        (change.p_out_slope, own.p_out, change.en_slope),
        (change.p_out_offset, since_first.p_out_offset, change.en_offset),
    ):
        level = np.where(p_now >= limits.flag, BEYOND, WITHIN)
        flagged = _earlier((level == BEYOND) & ~first & trusted, pairs)
        slow = (p_first >= SLOW) & believed_first & ~flagged
        sudden |= p_now >= limits.watch
        watch = (p_now >= limits.watch) | slow
        level = np.maximum(level, np.where(watch, WATCH, WITHIN))
        strange = np.where(np.abs(np.nan_to_num(en)) > FIRST_LIMIT, WATCH, WITHIN)
        levels.append(np.where(first, strange, level))
    moved = _moved(shared, limits)
    slow = (np.maximum(*levels) > WITHIN) & ~(sudden | first | moved)
    return Outlook(expectation, change, levels[0], levels[1], moved, slow, own, trusted)


def _moved(shared: Together, limits: Limits) -> Bools:
    """Whether the reference moved too far to be used; not where it came back so."""
    common = shared.common
    far = 100.0 * np.abs(common.change) > limits.slope_pct / 2.0
    return (common.moved >= MOVED) & far & np.isnan(shared.moves.returned)


def _earlier(there: Bools, pairs: Pairs) -> Bools:
    """Where it was so before, in the same segment."""
    index = np.arange(len(there))
    last = np.maximum.accumulate(np.where(there, index, -1))
    before = np.concatenate(([-1], last[:-1])) if len(last) else last
    return np.asarray(before >= pairs.segment_start)


def _expected_change(expectation: Expectation, limits: Limits) -> Change:
    slope, u_slope = expectation.change_slope_pct, expectation.u_change_slope_pct
    offset, u_offset = expectation.change_offset, expectation.u_change_offset
    found = Change(
        slope_pct=slope,
        u_slope_pct=u_slope,
        offset=offset,
        u_offset=u_offset,
        en_slope=en_number(slope, u_slope),
        en_offset=en_number(offset, u_offset),
        p_out_slope=p_out(slope, u_slope, limits.slope_pct),
        p_out_offset=p_out(offset, u_offset, limits.offset),
    )
    return Change(**{k: np.where(expectation.known, v, np.nan) for k, v in vars(found).items()})
