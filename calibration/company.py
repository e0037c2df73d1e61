"""The company of a calibration: what other sensors did on its day or in its season."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Exists, OuterRef
from numpy.typing import NDArray

from calibration import columns
from calibration.arrays import History
from calibration.calendars import DAY_US
from calibration.metrology.pairing import NONE, Pairs
from calibration.models import Calibration, Judgement
from calibration.references import read_references
from fleet.models import Installation

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_KEYS = 1 << 31  # more references than there are


@dataclass(frozen=True)
class Siblings:
    """Steps of calibrations that may share something with those in question.

    Attributes
    ----------
    sensor, reference, reference_before : (S,) arrays
        Keys; a reference of -1 is the unit's own weight.
    season : (S,) array
    day : (S,) array [days since 1970-01-01 UTC]
    date : (S,) array [whole days since 1970-01-01]
        By the clock of the reference's owner.
    reference_pct, reference_before_pct : (S,) arrays [%]
    step, u_step : (S,) arrays [1]
        Relative change of slope since the calibration before in the segment, and its standard
        uncertainty without the references' share.
    asked : (A,) array
        The references and dates (`keyed`) of which all are among them.
    """

    sensor: Ints
    reference: Ints
    reference_before: Ints
    season: Ints
    day: Floats
    date: Ints
    step: Floats
    u_step: Floats
    reference_pct: Floats
    reference_before_pct: Floats
    asked: Ints

    def __len__(self) -> int:
        """Return S."""
        return len(self.sensor)


def nobody() -> Siblings:
    """Return no siblings at all."""
    keys, values = np.zeros(0, dtype=np.int64), np.zeros(0)
    return Siblings(keys, keys, keys, keys, values, keys, values, values, values, values, keys)


def read_siblings(history: History, pairs: Pairs, ask: Bools) -> Siblings:
    """Read the steps of other sensors on the days and in the seasons of those to ask for."""
    before = np.where((pairs.before == NONE) | ~ask, np.nan, history.reference[pairs.before])
    named, changed = _concerned(history, before)
    if not named.any():
        return nobody()
    own = np.unique(history.sensor)
    days = _days(history, named)
    rows, asked = _read_on_days(history, own, *days), keyed(*days)
    if changed.any():
        found = _IN_SEASONS.of(but=own, **_seasons(history, changed, before))
        # Who is among those of the day already does not count twice.
        found["date"] = history.references.days_of(found["reference"], found["day"])
        further = ~np.isin(keyed(found["reference"], found["date"]), asked)
        rows = {name: np.append(rows[name], found[name][further]) for name in rows}
    rows["day"] = rows["day"] / DAY_US
    before = rows["reference_before"]
    known = read_references(np.append(rows["reference"], before), history.references)
    return Siblings(
        **rows,
        reference_pct=known.pct_of(rows["reference"]),
        reference_before_pct=known.pct_of(before),
        asked=asked,
    )


_WHO = ("sensor", "reference", "reference_before")
_STEPS: dict[str, columns.Kind] = {
    "sensor": "key",
    "reference": "key",
    "reference_before": "key",
    "season": "key",
    "day": "moment",
    "step": "real",
    "u_step": "real",
}
# From what is asked to what is there, by the index that each of these has.
_SAID = (
    "SELECT j.sensor_id, j.reference_id, j.step_reference, j.season, j.performed_at, j.step,"
    " j.u_step"
)
_ASKED = (
    f" FROM {{asked}} CROSS JOIN {Judgement._meta.db_table} j"
    " WHERE j.step IS NOT NULL AND j.reference_id = asked.reference AND j.sensor_id NOT IN {but}"
)
_ON_DAYS = columns.Matching(
    f"{_SAID}, asked.date{_ASKED}"
    " AND j.performed_at >= asked.since AND j.performed_at < asked.until",
    {"reference": "key", "date": "key", "since": "moment", "until": "moment"},
    {**_STEPS, "asked": "key"},
)
_IN_SEASONS = columns.Matching(
    f"{_SAID}{_ASKED} AND j.step_reference = asked.earlier AND j.season = asked.season"
    " AND (j.step_reference < j.reference_id OR j.step_reference > j.reference_id)",
    {"reference": "key", "earlier": "key", "season": "key"},
    _STEPS,
)


def _concerned(history: History, *before: Floats) -> tuple[Bools, Bools]:
    """Which calibrations have a reference to share, and which of them another one than before."""
    named, changed = np.zeros((2, len(history)), dtype=bool)
    for earlier in before:
        there = (history.reference != NONE) & ~np.isnan(earlier)
        named |= there
        changed |= there & (earlier != NONE) & (earlier != history.reference)
    return named, changed


def _days(history: History, named: Bools) -> Sequence[Ints]:
    """Which references on which of their owners' days."""
    return _each(history.reference[named], history.date[named])


def _read_on_days(
    history: History, own: Ints, reference: Ints, date: Ints
) -> dict[str, NDArray[Any]]:
    """Read the steps of others with these references on these dates; one query."""
    known = history.references
    since, until = known.spans_of(reference, date)
    found = _ON_DAYS.of(but=own, reference=reference, date=date, since=since, until=until)
    found["date"] = known.days_of(found["reference"], found["day"])
    there = found["date"] == found.pop("asked")
    return {name: values[there] for name, values in found.items()}


def _seasons(history: History, changed: Bools, before: Floats) -> dict[str, Ints]:
    """Which references, and which before them, in which seasons: the change is that of both."""
    there = changed & ~np.isnan(before)
    reference, earlier, season = _each(
        history.reference[there], before[there].astype(np.int64), history.season[there]
    )
    return {"reference": reference, "earlier": earlier, "season": season}


def _each(*keys: Ints) -> Sequence[Ints]:
    """Every combination once."""
    return tuple(np.unique(np.stack(keys), axis=1))


def _sharing(found: dict[str, NDArray[Any]], history: History, before: list[Floats]) -> set[int]:
    """Sensors among those found that had the same reference before as well."""
    asked = [
        keyed(history.reference[~np.isnan(each)], each[~np.isnan(each)].astype(np.int64))
        for each in before
    ]
    mine = np.concatenate(asked)
    sharing = np.isin(keyed(found["reference"], found["reference_before"]), mine)
    return set(found["sensor"][sharing].tolist())


def keyed(reference: Ints, other: Ints) -> Ints:
    """Return one number for each pair of a reference's key and another small number, (M,)."""
    return (reference + 1) * _KEYS + other + 1


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


_ON_MACHINES = columns.Reading(
    lambda: Installation.objects.filter(
        Exists(Calibration.objects.filter(installation=OuterRef("pk")))
    ).order_by(),
    "machine",
    {"sensor": ("sensor_id", "key")},
)


def read_on_machines(history: History, which: Bools) -> Ints:
    """Read which sensors were ever calibrated on the machines of these calibrations; one query."""
    machines = history.extras["machine"][which]
    asked = np.unique(machines[~np.isnan(machines)]).astype(np.int64)
    return _ON_MACHINES.of(asked)["sensor"]


def read_touched(history: History, moved: Moved, seen: Siblings) -> frozenset[int]:
    """Read which other sensors' verdicts rest on the calibrations that moved; two queries.

    Those that share a day or a changed reference with them, and those of the same machine: a
    neighbour's numbers tell whether cables were swapped. Who was `seen` when they were judged is
    not read again.
    """
    if not moved.which.any():
        return frozenset()
    found = set(read_on_machines(history, moved.which).tolist())
    before = [np.where(moved.which, each, np.nan) for each in (moved.was, moved.now)]
    own = np.unique(history.sensor)
    named, changed = _concerned(history, *before)
    if named.any():
        found |= _sharing(_on_days(history, named, own, seen), history, before)
    if changed.any():
        for each in before:
            shared = _IN_SEASONS.of(but=own, **_seasons(history, changed, each))
            found |= _sharing(shared, history, before)
    return frozenset(found - set(own.tolist()))


def _on_days(history: History, named: Bools, own: Ints, seen: Siblings) -> dict[str, NDArray[Any]]:
    """Sensor and references of the others on the days of those named."""
    reference, date = _days(history, named)
    keys = keyed(reference, date)
    there = np.isin(keyed(seen.reference, seen.date), keys)
    rows = {name: getattr(seen, name)[there] for name in _WHO}
    new = ~np.isin(keys, seen.asked)
    if not new.any():
        return rows
    further = _read_on_days(history, own, reference[new], date[new])
    return {name: np.append(rows[name], further[name]) for name in _WHO}
