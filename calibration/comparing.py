"""Compares what is stored with what should be, whole companies at once, and settles what differs.

A company are the sensors that were calibrated with one dealer's references: whoever shares a day
with them is among them, so that one read of packed histories holds all that their verdicts rest
on; for cells that came from another dealer, the others are asked for. Companies next to one
another are compared together: an array of a hundred costs what one of a thousand does. Comparing
locks nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Count, Q, QuerySet
from numpy.typing import NDArray

from calibration import (
    columns,
    due,
    fingerprint,
    flagging,
    judging,
    outcomes,
    packing,
    proving,
)
from calibration.arrays import History
from calibration.company import Moved, keyed, read_on_machines
from calibration.flagging import KINDS, WantedFlags
from calibration.histories import behind
from calibration.judging import Judged
from calibration.models import (
    DriftFlag,
    FurtherCompany,
    PackedHistory,
    ReferenceStandard,
    StaleSensor,
)
from calibration.neighbours import beside_others
from calibration.outcomes import LEVELS, Outcome
from calibration.recorded import Recorded
from calibration.together import TOGETHER, Span
from calibration.turns import lock

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Columns = dict[str, NDArray[Any]]

_STATUS = tuple(str(status) for status in DriftFlag.Status)
_CLOSED = _STATUS.index(DriftFlag.Status.CLOSED)
GROUP = 15_000  # sensors that are compared at once, or one company
_FEW_DIFFER = 0.02  # of a group; more are stored together
_NUMBERS = ("level", "magnitude", "tolerance", "p_out")


def companies(span: Span | None = None) -> list[tuple[int, int]]:
    """Return every company, or those of a span, and how many sensors each has, by key."""
    rows = PackedHistory.objects.filter(span.among("company") if span else Q())
    counted = rows.values_list("company").annotate(Count("pk")).order_by("company")
    return [(company, count) for company, count in counted]


@dataclass(frozen=True)
class Found:
    """What the sensors of some companies were found to be.

    Attributes
    ----------
    recorded : Recorded
        Of its members and guests.
    stored : dict
        `sensor`, `outcome` and `calibrations` of their packed histories.
    members : (N,) array
    outcome : Outcome
    differing : (D,) array
        Members whose verdicts, flags, due days or functional tests are not what is stored.
    """

    recorded: Recorded
    stored: Columns
    members: Ints
    outcome: Outcome
    differing: Ints


def settle(span: Span, *, now: datetime, stored: Callable[[Judged], None]) -> list[int]:
    """Bring the sensors of some companies in line with what should be stored of them.

    Where many differ, they are stored together, and `stored` is told in the same transaction.
    Returns who is left to be judged one by one: few that differ, or all of a company of which
    something cannot be judged. Whoever must wait until other companies are stored is neither:
    `stored` is told to mark them.
    """
    try:
        found = compare(span)
    except (ValueError, ArithmeticError):
        if span.first < span.last:
            return _settle_each(span, now=now, stored=stored)
        rows = PackedHistory.objects.filter(span.among("company")).order_by("sensor_id")
        left = np.array(rows.values_list("sensor", flat=True), dtype=np.int64)
        return _left(left, left if _guests(span) else left[:0], stored)
    if len(found.differing) > _FEW_DIFFER * len(found.members):
        if len(found.differing) > TOGETHER and span.first < span.last:
            return _settle_each(span, now=now, stored=stored)
        with transaction.atomic():
            lock(found.differing)
            if _still_so(span, found):
                stored(_store(found, now))
                return []
    waiting = _beside_guests(found) if len(found.differing) else found.differing
    return _left(found.differing, waiting, stored)


def _settle_each(span: Span, *, now: datetime, stored: Callable[[Judged], None]) -> list[int]:
    each = [Span(key, key) for key, _ in companies(span)]
    return [left for one in each for left in settle(one, now=now, stored=stored)]


@transaction.atomic
def _left(sensor: Ints, waiting: Ints, stored: Callable[[Judged], None]) -> list[int]:
    """Have those marked who must wait, and return the others.

    Who is judged one by one reads what is *stored* of guests, and their own companies may not
    have been stored yet.
    """
    marked = np.intersect1d(sensor, waiting)
    if len(marked):
        stored(Judged(touched=frozenset(marked.tolist())))
    return [int(each) for each in np.setdiff1d(sensor, marked)]


def _beside_guests(found: Found) -> Ints:
    """Members that share a day, or a season, and a reference with a guest."""
    history = found.outcome.history
    guest = ~np.isin(history.sensor, found.members)
    if not guest.any():
        return found.members[:0]
    beside = np.zeros(len(history), dtype=bool)
    for other in (history.date, history.season):
        shared = keyed(history.reference, other)
        beside |= np.isin(shared, shared[guest])
    return np.unique(history.sensor[beside & ~guest])


def _still_so(span: Span, found: Found) -> bool:
    """Whether nobody came in between, and nothing was sealed that is not packed."""
    if len(behind(columns.among("pk", found.differing))):
        return False
    now_there = packing.said_of(*_packs(span, _guests(span)))
    return all(np.array_equal(now_there[name], found.stored[name]) for name in now_there)


def compare(span: Span) -> Found:
    """Return what the sensors of companies should be, and who of them is stored otherwise.

    Raises
    ------
    ValueError, ArithmeticError
        If something of them cannot be judged, or is not packed.
    """
    guests = _guests(span)
    recorded, stored = packing.unpack(*_packs(span, guests))
    if not stored["calibrations"].all():
        message = "histories were forgotten after the scan had packed them"
        raise ValueError(message)
    members = np.setdiff1d(stored["sensor"], guests)
    own = np.isin(stored["sensor"], members)
    outcome = judging.outcomes_of(recorded, abroad=_abroad(span, members))
    digest = fingerprint.digests(outcome).of(stored["sensor"])
    differing = np.concatenate(
        [
            stored["sensor"][(digest != stored["outcome"]) & own],
            _differing_flags(outcome, members),
            due.differing(outcomes.newest(outcome, members)),
            proving.differing(members),
        ]
    )
    return Found(recorded, stored, members, outcome, np.unique(differing))


def _guests(span: Span) -> list[int]:
    """Sensors of other companies that these ones' references have met."""
    rows = FurtherCompany.objects.filter(span.among("company"))
    rows = rows.exclude(span.among("sensor__pack__company"))
    return list(rows.order_by("sensor").values_list("sensor_id", flat=True).distinct())


def _packs(span: Span, guests: list[int]) -> "list[QuerySet[PackedHistory, PackedHistory]]":
    """Members and guests apart: asked for at once, the server would have to sort them all."""
    packs = [PackedHistory.objects.filter(span.among("company"))]
    if guests:
        packs.append(PackedHistory.objects.filter(columns.among("sensor", guests)))
    return packs


def _store(found: Found, now: datetime) -> Judged:
    """Store what follows for the members that differ; they are locked."""
    StaleSensor.objects.filter(columns.among("sensor", found.differing)).delete()
    moved, judged = judging.settle(found.outcome, found.recorded, found.differing, now=now)
    change = proving.judge_tests(found.differing.tolist(), now=now)
    return judged + Judged(flags=change, touched=_touched_outside(found, moved))


def _touched_outside(found: Found, moved: Moved) -> frozenset[int]:
    """Sensors of other companies whose verdicts rest on what is stored now.

    Guests read what was done here on their days, and a machine that was resold may carry sensors
    of two companies. Who has one of ours as a guest was or will be compared by this scan, with
    that one's pack.
    """
    history = found.outcome.history
    beside = np.zeros(len(history), dtype=bool)
    beside[beside_others(history, np.flatnonzero(moved.which))] = True
    guests = np.setdiff1d(found.stored["sensor"], found.members)
    touched = np.append(read_on_machines(history, beside), guests)
    return frozenset(np.setdiff1d(touched, found.members).tolist())


def _abroad(span: Span, members: Ints) -> Callable[[History], Bools]:
    """Whose siblings are not all among them: calibrations with another dealer's reference."""
    travelled = _travelled(members)
    ours = ReferenceStandard.objects.filter(span.among("dealer")).values_list("pk", flat=True)
    references = np.array(ours, dtype=np.int64)

    def told(history: History) -> Bools:
        return np.isin(history.sensor, travelled) & ~np.isin(history.reference, references)

    return told


def _travelled(members: Ints) -> Ints:
    """Members that were calibrated with references of other dealers as well."""
    rows = FurtherCompany.objects.filter(columns.around("sensor", members))
    found = np.array(rows.values_list("sensor_id", flat=True), dtype=np.int64)
    return found[np.isin(found, members)]


# ── Flags ─────────────────────────────────────────────────────────────────────


def _differing_flags(outcome: Outcome, members: Ints) -> Ints:
    """Members whose flags are missing, too many, closed by nobody, or with other numbers."""
    history = outcome.weighed.case.history
    wanted = flagging.flags_of(outcome.weighed)
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
    rows = DriftFlag.objects.filter(columns.around("sensor", members), kind__in=KINDS).order_by()
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
    first, last = columns.halves(ids).T
    mixed = first * np.uint64(0x9E3779B97F4A7C15) + last
    return np.asarray(mixed * np.uint64(len(KINDS)) + kind.astype(np.uint64))
