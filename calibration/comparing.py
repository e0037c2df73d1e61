"""Compares what is stored with what should be, company by company: reads, locks nothing.

A full scan asks here who differs, and judges those alone. What is not seen here only costs time:
whoever differs is judged from everything that concerns them.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from django.db.models import Count, Exists, OuterRef
from numpy.typing import NDArray

from calibration import columns, due, outcomes, packing, proving
from calibration.arrays import History
from calibration.judging import outcomes_of
from calibration.models import (
    Calibration,
    DriftFlag,
    FurtherCompany,
    PackedHistory,
    ReferenceStandard,
)
from calibration.outcomes import KINDS, LEVELS, Outcome, WantedFlags
from fleet.models import Sensor

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Columns = dict[str, NDArray[Any]]

_STATUS = tuple(str(status) for status in DriftFlag.Status)
_CLOSED = _STATUS.index(DriftFlag.Status.CLOSED)
_NUMBERS = ("level", "magnitude", "tolerance", "p_out")


def companies() -> list[tuple[int, int]]:
    """Return every company and how many sensors it has, by key."""
    rows = PackedHistory.objects.values_list("company").annotate(Count("pk")).order_by("company")
    return [(company, count) for company, count in rows]


def unpacked(after: int, limit: int) -> list[int]:
    """Return sensors with calibrations that have no packed history, by key, from beyond `after`."""
    recorded = Calibration.objects.filter(sensor=OuterRef("pk"))
    packed = PackedHistory.objects.filter(sensor=OuterRef("pk"))
    rows = Sensor.objects.filter(Exists(recorded), ~Exists(packed), pk__gt=after)
    return list(rows.order_by("pk").values_list("pk", flat=True)[:limit])


def differing(first: int, last: int, *, extend: Callable[[], None]) -> list[int]:
    """Return the sensors of these companies whose stored verdicts are not what they should be.

    `extend` is called after each company.
    """
    found: list[int] = []
    keys = PackedHistory.objects.filter(company__gte=first, company__lte=last)
    for company in keys.order_by("company").values_list("company", flat=True).distinct():
        found += _differing_in(company).tolist()
        extend()
    return found


def _differing_in(company: int) -> Ints:
    guests = list(
        FurtherCompany.objects.filter(company=company).values_list("sensor_id", flat=True)
    )
    packs = PackedHistory.objects.filter(company=company)
    if guests:
        packs |= PackedHistory.objects.filter(columns.among("sensor", guests))
    recorded, said = packing.unpack(packs)
    own = ~np.isin(said["sensor"], guests)
    outcome = outcomes_of(recorded, abroad=_abroad(company, said["sensor"][own]))
    digest = outcomes.digest(outcome, said["sensor"])
    members = said["sensor"][own]
    return np.unique(
        np.concatenate(
            [
                members[(digest != said["outcome"])[own]],
                _differing_flags(outcome, members),
                due.differing(_newest(outcome, members)),
                proving.differing(members),
            ]
        )
    )


def _abroad(company: int, members: Ints) -> Callable[[History], Bools]:
    """Whose siblings are not all in the company: calibrations with another dealer's reference."""
    rows = FurtherCompany.objects.filter(columns.among("sensor", members))
    travelled = np.array(rows.values_list("sensor_id", flat=True), dtype=np.int64)
    travelled = travelled[np.isin(travelled, members)]
    ours = ReferenceStandard.objects.filter(dealer=company).values_list("pk", flat=True)
    references = np.array(ours, dtype=np.int64)

    def told(history: History) -> Bools:
        return np.isin(history.sensor, travelled) & ~np.isin(history.reference, references)

    return told


def _newest(outcome: Outcome, members: Ints) -> due.Newest:
    """The last calibration of each member that counts."""
    history = outcome.weighed.case.history
    at = np.searchsorted(history.sensor, members, side="right") - 1
    there = (at >= 0) & (history.sensor[np.maximum(at, 0)] == members)
    at = np.maximum(at, 0)
    day = outcome.judgements["earliest_crossing"][at].astype(np.float64)
    return due.Newest(
        sensor=members,
        calibration=np.where(there, history.ids[at], np.zeros(1, dtype="V16")),
        moment=np.where(there, history.moment[at], 0),
        installation=np.where(there, history.installation[at], -1),
        crossing=np.where(there & (day != columns.NO_DATE), day, np.nan),
    )


# ── Flags ─────────────────────────────────────────────────────────────────────


def _differing_flags(outcome: Outcome, members: Ints) -> Ints:
    """Members whose flags are missing, too many, closed by nobody, or with other numbers."""
    history = outcome.weighed.case.history
    wanted = outcomes.flags_of(outcome.weighed)
    wanted = wanted.take(np.isin(history.sensor[wanted.index], members))
    stored = _stored_flags(members)
    here = _keys(history.ids[wanted.index], wanted.kind)
    place, asked = columns.located(here, _keys(stored["calibration"], stored["kind"]))
    closed = stored["status"] == _CLOSED
    standing = np.where(asked, ~closed | stored["by_person"], closed)
    wrong = ~standing | (asked & ~_equal(wanted, place, stored))
    missing = ~np.isin(np.arange(len(here)), place[asked])
    return np.concatenate((stored["sensor"][wrong], history.sensor[wanted.index[missing]]))


def _equal(wanted: WantedFlags, place: Ints, stored: Columns) -> Bools:
    same = np.ones(len(stored["sensor"]), dtype=bool)
    if not len(wanted.index):
        return same
    for name in _NUMBERS:
        mine, theirs = getattr(wanted, name)[place], stored[name]
        same &= (mine == theirs) | (np.isnan(mine) & np.isnan(theirs))
    return same


def _stored_flags(members: Ints) -> Columns:
    rows = DriftFlag.objects.filter(columns.among("sensor", members), kind__in=KINDS)
    found = columns.read(
        rows.values_list("sensor", "calibration", "kind", *_NUMBERS, "status", "closed_by"),
        sensor="key",
        calibration="uuid",
        kind=KINDS,
        level=LEVELS,
        magnitude="real",
        tolerance="real",
        p_out="real",
        status=_STATUS,
        by_person="key",
    )
    found["by_person"] = found["by_person"] >= 0
    mine = np.isin(found["sensor"], members)
    return {name: values[mine] for name, values in found.items()}


def _keys(ids: NDArray[np.void], kind: NDArray[Any]) -> NDArray[np.uint64]:
    """One number for each calibration and kind."""
    halves = np.ascontiguousarray(ids).view(np.uint64).reshape(-1, 2)
    mixed = halves[:, 0] * np.uint64(0x9E3779B97F4A7C15) + halves[:, 1]
    return np.asarray(mixed * np.uint64(len(KINDS)) + kind.astype(np.uint64))
