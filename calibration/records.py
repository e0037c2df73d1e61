"""The one write path: record a calibration, judge it, and say what follows.

The API, the file import and the admin all come through here. One transaction: either the record
is sealed, fitted, judged and flagged and its due day set, or nothing happened.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import numpy as np
from django.db import IntegrityError, transaction

from calibration import events, judging, policies, proving, turns
from calibration.columns import among
from calibration.contents import taken
from calibration.continuing import continued, overtaking
from calibration.drafts import CalibrationDraft, PointDraft, resolve_moment
from calibration.histories import recorded_of
from calibration.judging import Judged, Known
from calibration.later import Standing
from calibration.ledger import Ledger, Recorded, to_be
from calibration.models import StaleSensor
from calibration.policies import Rulebook
from calibration.recorded import Recorded as Histories
from calibration.together import batches, by_dealer
from fleet.errors import DomainError
from fleet.scope import Scope

AT_ONCE = 2000  # records sealed with one reading of what they touch

__all__ = [
    "CalibrationDraft",
    "PointDraft",
    "Recorded",
    "check_calibration",
    "judge_marked",
    "judge_sealed",
    "record_calibration",
    "record_many",
    "resolve_moment",
    "seal",
    "seal_locked",
    "seal_many",
    "take_up",
    "to_be",
]


@transaction.atomic
def record_calibration(
    draft: CalibrationDraft, *, scope: Scope, now: datetime, user_id: int | None = None
) -> Recorded:
    """Seal, fit, judge and flag one calibration; the same one twice is stored once.

    Raises
    ------
    Invalid
        If it cannot be; every problem is named.
    Conflict
        If its id is taken by other content, or what it supersedes is superseded already.
    Forbidden
        If the caller may not record for this sensor's dealer.
    """
    turns.lock([draft.sensor.pk])
    try:
        recorded = _alone(_entered([draft], scope=scope, now=now, user_id=user_id))
    except IntegrityError as clash:  # the refusal undoes all that was done here: no savepoint
        raise taken(draft.id) from clash
    if recorded.created:
        _judge_stored([(draft, recorded)], now=now)
    return recorded


def record_many(
    drafts: Sequence[CalibrationDraft], *, scope: Scope, now: datetime, user_id: int | None = None
) -> list[Recorded | DomainError]:
    """Record many: each is stored or refused by itself, then all sensors are judged at once.

    One may supersede an earlier one of them: its draft names `to_be` of that one's.
    """
    with transaction.atomic():
        outcomes = seal_many(drafts, scope=scope, now=now, user_id=user_id)
        stored = [
            (draft, outcome)
            for draft, outcome in zip(drafts, outcomes, strict=True)
            if isinstance(outcome, Recorded) and outcome.created
        ]
        _judge_stored(stored, now=now)
    return outcomes


def _judge_stored(stored: Sequence[tuple[CalibrationDraft, Recorded]], *, now: datetime) -> None:
    """Judge the sensors of records that were just sealed, and note what that did to later ones."""
    verdicts: dict[UUID, str] = {}
    for some in batches(sorted({draft.sensor.pk for draft, _ in stored})):
        own = set(some)
        of_them = [each for each in stored if each[0].sensor.pk in own]
        verdicts |= _judge_batch(of_them, now=now).verdicts
    events.tell(_happened(stored, verdicts), now=now)


def _judge_batch(stored: Sequence[tuple[CalibrationDraft, Recorded]], *, now: datetime) -> Judged:
    drafts = [draft for draft, _ in stored]
    sealed = [recorded.sealed for _, recorded in stored if recorded.sealed]
    history, kept = continued(sealed)
    late = overtaking(history, sealed)
    standing = Standing([draft for draft in drafts if draft.sensor.pk in late])
    known = Known(Rulebook(), kept, [each.id for each in sealed])
    sensors = sorted({draft.sensor.pk for draft in drafts})
    judged = judge_sealed(sensors, now=now, recorded=history, known=known)
    for (_, recorded), rejudged in zip(stored, standing.later_than(drafts), strict=True):
        recorded.rejudged = rejudged
        recorded.judged_by, recorded.is_flagged = known.book, judged.flags.opened > 0
    return judged


def _happened(
    stored: Sequence[tuple[CalibrationDraft, Recorded]], verdicts: Mapping[UUID, str]
) -> list[events.Happened]:
    """What programs are told of new records: verdicts, new and changed, and what is superseded."""
    sensors = {recorded.id: draft.sensor for draft, recorded in stored}
    in_time = sorted((draft.performed_at, recorded.id) for draft, recorded in stored)
    found, changed = [], {}
    for _, key in in_time:
        if key in verdicts:  # what is superseded already has none
            found.append(events.verdict(key, sensors[key], None, verdicts[key]))
    for draft, recorded in stored:
        if draft.supersedes:
            found.append(events.superseded(recorded.calibration))
        for row in recorded.rejudged:
            if row.verdict != row.verdict_before and row.id not in sensors:
                was, now = row.verdict_before, row.verdict
                changed[row.id] = events.verdict(row.id, draft.sensor, was, now)
    return [*found, *changed.values()]


@transaction.atomic
def check_calibration(draft: CalibrationDraft, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return the whole answer to a calibration without storing it: recorded, read, rolled back."""
    with transaction.atomic():
        recorded = record_calibration(draft, scope=scope, now=now)
        answer = recorded.answer(scope)
        transaction.set_rollback(True)
    return answer | {"digest": None, "stored": False}


def judge_sealed(
    sensor_ids: Sequence[int],
    *,
    now: datetime,
    recorded: Histories | None = None,
    known: Known | None = None,
) -> Judged:
    """Judge all records of these sensors, and mark whose verdicts rest on them.

    For the scan, and for whoever sealed records in this transaction, and so has locked their
    sensors. Functional tests come after the calibrations: they name the one that was in force.
    Where it is not known what was `recorded` of the sensors, the records are read; so is what else
    is not `known`.
    """
    judged = judging.judge(sensor_ids, now=now, recorded=recorded, known=known)
    untested = known.kept.untested if known and known.kept else frozenset()
    tested = [key for key in sensor_ids if key not in untested]
    judged += Judged(flags=proving.judge_tests(tested, now=now))
    policies.mark_stale(judged.touched, why="a sibling was judged anew", now=now)
    return judged


def take_up(sensor_ids: Sequence[int], *, now: datetime) -> Judged:
    """Lock sensors, take their marks away and judge them, in the caller's transaction."""
    turns.lock(sensor_ids)
    # The marks go first: one that is set while we judge waits for us and stays.
    StaleSensor.objects.filter(among("pk", sensor_ids)).delete()
    return judge_sealed(sensor_ids, now=now, recorded=recorded_of(sensor_ids))


def judge_marked(
    sensor_ids: Sequence[int], *, now: datetime, progress: Callable[[int, int], None] | None = None
) -> dict[int, str]:
    """Judge sensors with new records, in batches of one transaction, and take their marks away.

    Returns key and reason of each sensor that cannot be judged: it stays marked. `progress` is
    told (done, of how many).
    """
    failed: dict[int, str] = {}
    done = 0
    sensors, dealers = by_dealer(np.unique(np.array(sensor_ids, dtype=np.int64)))
    for some in batches(sensors.tolist(), dealers):
        _judge_some(sorted(some), failed, now=now)
        done += len(some)
        if progress:
            progress(done, len(sensor_ids))
    return failed


def _judge_some(sensor_ids: Sequence[int], failed: dict[int, str], *, now: datetime) -> None:
    """Judge a batch; where it fails, halve it until the one that cannot be judged stands alone."""
    try:
        with transaction.atomic():
            take_up(sensor_ids, now=now)
    except (ValueError, ArithmeticError) as wrong:
        if len(sensor_ids) == 1:
            failed[sensor_ids[0]] = str(wrong)
            policies.mark_stale(sensor_ids, why="it could not be judged", now=now)
            return
        half = len(sensor_ids) // 2
        _judge_some(sensor_ids[:half], failed, now=now)
        _judge_some(sensor_ids[half:], failed, now=now)


def seal(draft: CalibrationDraft, *, scope: Scope, now: datetime, user_id: int | None) -> Recorded:
    """Check and seal one record; whoever calls judges its sensor in the same transaction."""
    return _alone(seal_many([draft], scope=scope, now=now, user_id=user_id))


def _alone(outcomes: Sequence[Recorded | DomainError]) -> Recorded:
    """The one outcome; where it is a refusal, it is raised."""
    (outcome,) = outcomes
    if isinstance(outcome, DomainError):
        raise outcome
    return outcome


@transaction.atomic(savepoint=False)
def seal_many(
    drafts: Sequence[CalibrationDraft], *, scope: Scope, now: datetime, user_id: int | None
) -> list[Recorded | DomainError]:
    """Check and seal records, each stored or refused by itself, in the order given.

    A record may supersede one before it in the list. Whoever calls judges their sensors, in the
    same transaction, or marks them there to be judged.
    """
    turns.lock({draft.sensor.pk for draft in drafts})
    return seal_locked(drafts, scope=scope, now=now, user_id=user_id)


def seal_locked(
    drafts: Sequence[CalibrationDraft], *, scope: Scope, now: datetime, user_id: int | None
) -> list[Recorded | DomainError]:
    """Do what `seal_many` does, for a caller that holds the locks of the sensors already."""
    return [
        outcome
        for start in range(0, len(drafts), AT_ONCE)
        for outcome in _sealed(
            drafts[start : start + AT_ONCE], scope=scope, now=now, user_id=user_id
        )
    ]


def _sealed(
    drafts: Sequence[CalibrationDraft], *, scope: Scope, now: datetime, user_id: int | None
) -> list[Recorded | DomainError]:
    """Seal a batch; where the database refuses it, halves of it until the one stands alone."""
    try:
        with transaction.atomic():
            return _entered(drafts, scope=scope, now=now, user_id=user_id)
    except IntegrityError as clash:
        if len(drafts) == 1:
            refusal = taken(drafts[0].id)
            refusal.__cause__ = clash
            return [refusal]
        half = len(drafts) // 2
        return _sealed(drafts[:half], scope=scope, now=now, user_id=user_id) + _sealed(
            drafts[half:], scope=scope, now=now, user_id=user_id
        )


def _entered(
    drafts: Sequence[CalibrationDraft], *, scope: Scope, now: datetime, user_id: int | None
) -> list[Recorded | DomainError]:
    """Check and seal a batch, or let the database refuse the whole of it."""
    ledger = Ledger(drafts, scope=scope, now=now, by=user_id)
    outcomes = [ledger.enter(draft) for draft in drafts]
    ledger.write()
    return outcomes
