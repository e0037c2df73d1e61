"""The company of a calibration: what other sensors did on its day or in its season."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
from django.db.models import Exists, OuterRef, Q
from numpy.typing import NDArray

from calibration import columns
from calibration.arrays import DAY_US, EPOCH, History, reference_pct
from calibration.metrology.pairing import NONE, Pairs
from calibration.models import CHANGED_REFERENCE, Calibration, Judgement
from fleet.models import Installation

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_KEYS = 1 << 31  # more references than there are
_FEW = 120  # up to this many days are asked for one by one, more in one range


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
    named, changed = _concerned(history, before)
    if not named.any():
        return nobody()
    # The conditions may let in more than share anything: they would be looked at for nothing.
    found = _steps(_on_days(history, named))
    days = _both(history.reference, np.floor(history.day).astype(np.int64))[named]
    parts = [_of_others(found, history, np.isin(_on_day(found), days))]
    if changed.any():
        found = _steps(_in_seasons(history, changed, [before]))
        seasons = _both(history.reference, history.season)[changed]
        # Who is among those of the day already is not asked twice.
        shares = np.isin(_both(found["reference"], found["season"]), seasons)
        parts.append(_of_others(found, history, shares & ~np.isin(_on_day(found), days)))
    rows = {name: np.concatenate([part[name] for part in parts]) for name in found}
    rows["day"] = rows["day"] / DAY_US
    both = reference_pct(np.concatenate((rows["reference"], rows["reference_before"])))
    pct, before_pct = np.split(both, 2)
    return Siblings(**rows, reference_pct=pct, reference_before_pct=before_pct)


def _on_day(found: dict[str, NDArray[Any]]) -> Ints:
    return _both(found["reference"], found["day"] // DAY_US)


def _of_others(
    found: dict[str, NDArray[Any]], history: History, shares: Bools
) -> dict[str, NDArray[Any]]:
    """Those that share something, and are not of the history's own sensors."""
    theirs = shares & ~np.isin(found["sensor"], history.sensor)
    return {name: values[theirs] for name, values in found.items()}


def _steps(condition: Q) -> dict[str, NDArray[Any]]:
    return columns.read(
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


def _company_of(history: History, *before: Floats) -> list[Q]:
    """Whom to ask: those of one reference and day; where it changed, those of one season.

    `before` holds the reference before each calibration, NaN where it does not count; there may
    be several, as it was and as it is.
    """
    named, changed = _concerned(history, *before)
    # Asked one after the other: each has an index of its own.
    days = [_on_days(history, named)] if named.any() else []
    return days + ([_in_seasons(history, changed, before)] if changed.any() else [])


def _concerned(history: History, *before: Floats) -> tuple[Bools, Bools]:
    """Which calibrations have a reference to share, and which of them another one than before."""
    named, changed = np.zeros((2, len(history)), dtype=bool)
    for earlier in before:
        there = (history.reference != NONE) & ~np.isnan(earlier)
        named |= there
        changed |= there & (earlier != NONE) & (earlier != history.reference)
    return named, changed


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


def _in_seasons(history: History, changed: Bools, before: Sequence[Floats]) -> Q:
    """Made in one of these seasons with one of these references, and another one before.

    Only what had one of the same references before: the change is that of both.
    """
    condition = Q()
    for season in np.unique(history.season[changed]).tolist():
        there = changed & (history.season == season)
        references = np.unique(history.reference[there])
        earlier = np.unique(np.concatenate([each[there] for each in before]))
        condition |= CHANGED_REFERENCE & Q(
            reference__in=references.tolist(),
            step_reference__in=earlier[~np.isnan(earlier)].astype(np.int64).tolist(),
            season=season,
        )
    return condition


def _sharing(condition: Q, history: History, before: list[Floats]) -> set[int]:
    """Sensors of whom the condition is true, and that had the same reference before as well."""
    rows = columns.read(
        Judgement.objects.filter(condition, step__isnull=False)
        .order_by()
        .values_list("sensor_id", "reference_id", "step_reference"),
        sensor="key",
        reference="key",
        before="key",
    )
    asked = [
        _both(history.reference[~np.isnan(each)], each[~np.isnan(each)].astype(np.int64))
        for each in before
    ]
    sharing = np.isin(_both(rows["reference"], rows["before"]), np.concatenate(asked))
    return set(rows["sensor"][sharing].tolist())


def _both(reference: Ints, before: Ints) -> Ints:
    return (reference + 1) * _KEYS + before + 1


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


def read_touched(history: History, moved: Moved) -> frozenset[int]:
    """Read which other sensors' verdicts rest on the calibrations that moved; two queries.

    Those that share a day or a changed reference with them, and those of the same machine: a
    neighbour's numbers tell whether cables were swapped.
    """
    if not moved.which.any():
        return frozenset()
    machines = history.extras["machine"][moved.which]
    same_machine = np.unique(machines[~np.isnan(machines)]).astype(np.int64)
    found = set(_ON_MACHINES.of(same_machine)["sensor"].tolist())
    before = [np.where(moved.which, each, np.nan) for each in (moved.was, moved.now)]
    for condition in _company_of(history, *before):
        found |= _sharing(condition, history, before)
    return frozenset(found - set(np.unique(history.sensor).tolist()))
