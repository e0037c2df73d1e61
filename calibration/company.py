"""The company of a calibration: what other sensors did that day, or say on the same machine."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.db.models import Q
from numpy.typing import NDArray

from calibration import columns
from calibration.arrays import DAY_US, EPOCH, History, reference_pct
from calibration.columns import located
from calibration.metrology.drift import LineState
from calibration.metrology.pairing import NONE, Pairs
from calibration.models import Fit, Judgement
from fleet.models import Installation

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_NEIGHBOURS = 64
_FIRST = date(1970, 1, 1).toordinal()
_FEW = 300  # up to this many days and seasons are asked for one by one, more in one range


@dataclass(frozen=True)
class Siblings:
    """Steps of calibrations that may share something with those in question.

    Attributes
    ----------
    sensor, reference, reference_before : (S,) arrays
        Keys; a reference of -1 is the unit's own weight.
    season : (S,) array
    day : (S,) array [days since 1970-01-01 UTC]
    reference_pct, reference_before_pct : (S,) arrays [%]
    step, u_step : (S,) arrays [1]
        Relative change of slope since the calibration before in the segment, and its standard
        uncertainty without the references' share.
    """

    sensor: Ints
    reference: Ints
    reference_before: Ints
    season: Ints
    day: Floats
    step: Floats
    u_step: Floats
    reference_pct: Floats
    reference_before_pct: Floats

    def __len__(self) -> int:
        """Return S."""
        return len(self.sensor)


def nobody() -> Siblings:
    """Return no siblings at all."""
    keys, values = np.zeros(0, dtype=np.int64), np.zeros(0)
    return Siblings(keys, keys, keys, keys, values, values, values, values, values)


def read_siblings(history: History, pairs: Pairs, ask: Bools) -> Siblings:
    """Read the steps of other sensors on the days and in the seasons of those to ask for."""
    before = np.where((pairs.before == NONE) | ~ask, np.nan, history.reference[pairs.before])
    condition = _company_of(history, before)
    if condition is None:
        return nobody()
    return _siblings(condition, but=np.unique(history.sensor))


def _siblings(condition: Q, *, but: Ints) -> Siblings:
    rows = columns.read(
        Judgement.objects.filter(condition, step__isnull=False)
        .order_by()
        .values_list(
            "sensor_id",
            "reference_id",
            "step_reference",
            "season",
            "performed_at",
            "step",
            "u_step",
        ),
        sensor="key",
        reference="key",
        reference_before="key",
        season="key",
        day="moment",
        step="real",
        u_step="real",
    )
    others = ~np.isin(rows["sensor"], but)
    found = {name: values[others] for name, values in rows.items()}
    found["day"] = found["day"] / DAY_US
    return Siblings(
        **found,
        reference_pct=reference_pct(found["reference"]),
        reference_before_pct=reference_pct(found["reference_before"]),
    )


def _company_of(history: History, *before: Floats) -> Q | None:
    """Whom to ask: those of one reference and day; where it changed, those of one season.

    `before` holds the reference before each calibration, NaN where it does not count; there may
    be several, as it was and as it is.
    """
    named, changed = np.zeros((2, len(history)), dtype=bool)
    for earlier in before:
        there = (history.reference != NONE) & ~np.isnan(earlier)
        named |= there
        changed |= there & (earlier != NONE) & (earlier != history.reference)
    if not named.any():
        return None
    return _on_days(history, named) | _in_seasons(history, changed)


def _on_days(history: History, named: Bools) -> Q:
    """Made on one of these days with one of these references."""
    day = np.floor(history.day[named]).astype(np.int64)
    reference = history.reference[named]
    days = np.unique(day)
    if len(days) > _FEW:
        return _made(np.unique(reference), int(days[0]), int(days[-1]) + 1)
    condition = Q()
    for each in days.tolist():
        condition |= _made(np.unique(reference[day == each]), each, each + 1)
    return condition


def _made(references: Ints, since: int, until: int) -> Q:
    return Q(
        reference__in=references.tolist(),
        performed_at__gte=EPOCH + timedelta(days=since),
        performed_at__lt=EPOCH + timedelta(days=until),
    )


def _in_seasons(history: History, changed: Bools) -> Q:
    """Made in one of these seasons with one of these references, or in half a year about it."""
    condition = Q()
    for season in np.unique(history.season[changed]).tolist():
        references = np.unique(history.reference[changed & (history.season == season)])
        # A season takes in the half years about its start, which is any day of its year.
        since, until = (date(year, 7, 1).toordinal() - _FIRST for year in (season - 1, season + 1))
        condition |= _made(references, since, until + 2)
    return condition


@dataclass(frozen=True)
class Moved:
    """Calibrations of a history on which others' verdicts rest differently from now on.

    Attributes
    ----------
    which : (M,) array of bool
        Its line or its step is another one, or it no longer counts.
    was, now : (M,) arrays
        Reference of the calibration before; -1 own weight, NaN none.
    """

    which: Bools
    was: Floats
    now: Floats


def read_touched(history: History, moved: Moved) -> frozenset[int]:
    """Read which other sensors' verdicts rest on the calibrations that moved; two queries.

    Those that share a day or a changed reference with them, and those of the same machine: a
    neighbour's numbers tell whether cables were swapped.
    """
    if not moved.which.any():
        return frozenset()
    machines = history.extras["machine"][moved.which]
    same_machine = np.unique(machines[~np.isnan(machines)]).astype(np.int64)
    rows = Fit.objects.filter(columns.among("calibration__installation__machine", same_machine))
    found = set(rows.values_list("calibration__sensor_id", flat=True))
    before = (np.where(moved.which, each, np.nan) for each in (moved.was, moved.now))
    condition = _company_of(history, *before)
    if condition is not None:
        sharing = Judgement.objects.filter(condition, step__isnull=False).order_by()
        found |= set(sharing.values_list("sensor_id", flat=True))
    return frozenset(found - set(np.unique(history.sensor).tolist()))


# ── Neighbours ────────────────────────────────────────────────────────────────


@dataclass(frozen=True)
class MachineLines:
    """Lines of the sensors on some machines, sorted by sensor and time, as arrays of length L.

    Attributes
    ----------
    machine, sensor, day : (L,) arrays
        Keys; whole days since 1970.
    slope, offset : (L,) arrays [reading/N], [reading]
    """

    machine: Ints
    sensor: Ints
    day: Ints
    slope: Floats
    offset: Floats

    def __add__(self, other: "MachineLines") -> "MachineLines":
        """Return both; the neighbours of a machine are told apart by sensor, in any order."""
        return MachineLines(
            *(
                np.concatenate((mine, theirs))
                for mine, theirs in zip(vars(self).values(), vars(other).values(), strict=True)
            )
        )


def lines_of(history: History, state: LineState) -> MachineLines:
    """Return the lines of a history itself."""
    machine = history.extras["machine"]
    at = np.flatnonzero(~np.isnan(machine))
    return MachineLines(
        machine=machine[at].astype(np.int64),
        sensor=history.sensor[at],
        day=np.floor(history.day[at]).astype(np.int64),
        slope=state.slope[at],
        offset=state.offset[at],
    )


def read_lines(history: History, index: Ints) -> MachineLines:
    """Read the lines of other sensors on the machines of these calibrations; one query."""
    machine = history.extras["machine"][index]
    machines = np.unique(machine[~np.isnan(machine)]).astype(np.int64)
    rows = Fit.objects.filter(
        columns.among("calibration__installation__machine", machines),
        calibration__superseded_by__isnull=True,
    ).order_by("calibration__sensor_id", "calibration__performed_at", "calibration__stage", "pk")
    found = columns.read(
        rows.values_list(
            "calibration__installation__machine_id",
            "calibration__sensor_id",
            "calibration__performed_at",
            "slope",
            "offset",
        ),
        machine="key",
        sensor="key",
        day="moment",
        slope="real",
        offset="real",
    )
    found["day"] = found["day"] // DAY_US
    others = ~np.isin(found["sensor"], np.unique(history.sensor))
    return MachineLines(**{name: values[others] for name, values in found.items()})


def beside_others(history: History, index: Ints) -> Ints:
    """Return those of these calibrations on whose machines others sat as well; one query."""
    machine = history.extras["machine"][index]
    machines = np.unique(machine[~np.isnan(machine)]).astype(np.int64)
    rows = Installation.objects.filter(columns.around("machine", machines)).order_by()
    sat = columns.read(rows.values_list("machine", "sensor"), machine="key", sensor="key")
    others = ~np.isin(sat["sensor"], np.unique(history.sensor))
    return index[np.isin(machine, sat["machine"][others])]


@dataclass(frozen=True)
class Neighbours:
    """What is expected of the other sensors on the machines of S calibrations.

    Attributes
    ----------
    index : (S,) array
        Of the calibration, ascending.
    slope, offset : (S, B) arrays [reading/N], [reading]
        As last calibrated before that day; NaN where there are fewer neighbours.
    """

    index: Ints
    slope: Floats
    offset: Floats

    def around(self, index: Ints) -> tuple[Floats, Floats]:
        """Return slopes and offsets about the calibrations at these indices, one row each."""
        place, known = located(self.index, index)
        if not len(self.index):
            nobody = np.full((len(index), 0), np.nan)
            return nobody, nobody
        return (
            np.where(known[:, None], self.slope[place], np.nan),
            np.where(known[:, None], self.offset[place], np.nan),
        )


def neighbours(history: History, index: Ints, lines: MachineLines) -> Neighbours:
    """Return the neighbours of these calibrations, by sensor, each as last calibrated before."""
    order = np.lexsort((lines.sensor, lines.machine))  # stable: the time stays in order
    machine, sensor = lines.machine[order], lines.sensor[order]
    begins = np.flatnonzero(
        np.append(True, (machine[1:] != machine[:-1]) | (sensor[1:] != sensor[:-1]))[: len(order)]
    )
    group = np.zeros(len(order), dtype=np.int64)
    group[begins] = 1
    group = np.cumsum(group) - 1
    here = history.extras["machine"][index]
    at = index[~np.isnan(here)]
    here = here[~np.isnan(here)].astype(np.int64)
    low, high = (np.searchsorted(machine[begins], here, side=side) for side in ("left", "right"))
    width = int((high - low).max(initial=0))
    candidate = low[:, None] + np.arange(width)
    there = candidate < high[:, None]
    candidate = np.where(there, candidate, 0)
    key = group * _DAYS + lines.day[order]
    today = np.floor(history.day[at]).astype(np.int64)[:, None]
    last = np.searchsorted(key, candidate * _DAYS + today) - 1
    if not len(key):
        return _empty()
    there &= (last >= 0) & (group[last] == candidate)
    there &= sensor[begins][candidate] != history.sensor[at][:, None]
    place = order[last]
    return _packed_left(at, there, lines.slope[place], lines.offset[place])


_DAYS = 1_000_000  # more than any day count


def _packed_left(index: Ints, there: Bools, slope: Floats, offset: Floats) -> Neighbours:
    """Bring those that are there to the front of each row, in their order."""
    front = np.argsort(~there, axis=1, kind="stable")[:, :MOST_NEIGHBOURS]
    there = np.take_along_axis(there, front, axis=1)
    width = int(there.sum(axis=1).max(initial=0))
    slope, offset = (
        np.where(there, np.take_along_axis(values, front, axis=1), np.nan)[:, :width]
        for values in (slope, offset)
    )
    return Neighbours(index, slope, offset)


def _empty() -> Neighbours:
    return Neighbours(np.zeros(0, dtype=np.int64), np.zeros((0, 0)), np.zeros((0, 0)))
