"""The one write path: record a calibration, judge it, and say what follows.

The API, the file import and the admin all come through here. One transaction: either the record
is sealed, fitted, judged and flagged and its due day set, or nothing happened.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from calibration import digests, judging, policies, proving
from calibration.drafts import CalibrationDraft, PointDraft, resolve_moment
from calibration.judging import Judged
from calibration.models import Calibration, CalibrationPoint
from calibration.validating import check_draft, installation_at
from fleet.errors import Conflict, DomainError, Problem
from fleet.models import Sensor
from fleet.registry import require
from fleet.scope import Scope

__all__ = [
    "CalibrationDraft",
    "PointDraft",
    "Recorded",
    "check_calibration",
    "judge_sealed",
    "record_calibration",
    "record_many",
    "resolve_moment",
    "seal",
]


@dataclass(frozen=True)
class Recorded:
    """A stored calibration, and whether this call stored it."""

    calibration: Calibration
    created: bool


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
    recorded = seal(draft, scope=scope, now=now, user_id=user_id)
    if recorded.created:
        judge_sealed([draft.sensor.pk], now=now)
    return recorded


def record_many(
    drafts: Sequence[CalibrationDraft], *, scope: Scope, now: datetime, user_id: int | None = None
) -> list[Recorded | DomainError]:
    """Record many: each is stored or refused by itself, then all sensors are judged at once."""
    outcomes: list[Recorded | DomainError] = []
    with transaction.atomic():
        judging.lock({draft.sensor.pk for draft in drafts})
        for draft in drafts:
            try:
                with transaction.atomic():
                    outcomes.append(seal(draft, scope=scope, now=now, user_id=user_id))
            except DomainError as refused:
                outcomes.append(refused)
        stored = {
            outcome.calibration.sensor_id
            for outcome in outcomes
            if isinstance(outcome, Recorded) and outcome.created
        }
        for some in judging.batches(sorted(stored)):
            judge_sealed(some, now=now)
    return outcomes


@transaction.atomic
def check_calibration(draft: CalibrationDraft, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return the whole answer to a calibration without storing it: recorded, read, rolled back."""
    from calibration import readout

    with transaction.atomic():
        recorded = record_calibration(draft, scope=scope, now=now)
        answer = readout.calibration_answer(recorded.calibration, scope)
        transaction.set_rollback(True)
    return answer | {"digest": None, "stored": False}


def judge_sealed(sensor_ids: Sequence[int], *, now: datetime, anew: bool = True) -> Judged:
    """Judge all records of these sensors, and mark whose verdicts rest on them.

    For the scan, and for whoever sealed records in this transaction. Functional tests come after
    the calibrations: they name the one that was in force. A scan that finds no record changed
    reads packed histories; whoever changed records reads them `anew`.
    """
    judged = judging.judge(sensor_ids, now=now, anew=anew)
    judged += Judged(flags=proving.judge_tests(sensor_ids, now=now))
    policies.mark_stale(judged.touched, why="a sibling was judged anew", now=now)
    return judged


def seal(draft: CalibrationDraft, *, scope: Scope, now: datetime, user_id: int | None) -> Recorded:
    """Check and seal one record; whoever calls judges its sensor in the same transaction."""
    sensor = Sensor.objects.select_for_update(no_key=True).get(pk=draft.sensor.pk)
    require(scope, "create", "calibrations", sensor.dealer_id)
    existing = Calibration.objects.filter(pk=draft.id).first() if draft.id else None
    check_draft(draft, now=now, repeated=existing is not None)
    if existing:
        return _already_there(existing, draft)
    _check_superseded(draft)
    row = _row(draft)
    where = installation_at(draft.sensor, draft.performed_at)
    if where:
        row.installation = where
        row.machine_serial, row.position = where.machine.serial, where.position
    points = _points(row, draft)
    digests.seal(row, points, now=now, by=user_id)
    try:
        row.save(force_insert=True)
    except IntegrityError as clash:
        raise _taken() from clash
    CalibrationPoint.objects.bulk_create(points)
    return Recorded(row, created=True)


def _row(draft: CalibrationDraft) -> Calibration:
    return Calibration(
        id=draft.id or uuid.uuid4(),
        sensor=draft.sensor,
        dealer_id=draft.sensor.dealer_id,
        sensor_serial=draft.sensor.serial,
        performed_at=draft.performed_at,
        reason=draft.reason,
        stage=draft.stage,
        reference=draft.reference,
        reference_name=draft.reference.name if draft.reference else "",
        technician=draft.technician,
        load_unit=draft.load_unit,
        reading_unit=draft.reading_unit,
        temperature_c=None if draft.temperature_c is None else float(draft.temperature_c),
        hydraulic_pressure=(
            None if draft.hydraulic_pressure is None else float(draft.hydraulic_pressure)
        ),
        pressure_unit=draft.pressure_unit,
        note=draft.note,
        supersedes=draft.supersedes,
        supersede_reason=draft.supersede_reason,
    )


def _points(row: Calibration, draft: CalibrationDraft) -> list[CalibrationPoint]:
    return [
        CalibrationPoint(
            calibration=row,
            number=number,
            load=float(point.load),
            reading=float(point.reading),
            direction=point.direction,
        )
        for number, point in enumerate(draft.points, start=1)
    ]


def _already_there(existing: Calibration, draft: CalibrationDraft) -> Recorded:
    """The same content is the same record; where it stood then is not the caller's to repeat."""
    row = _row(draft)
    row.machine_serial, row.position = existing.machine_serial, existing.position
    row.dealer_id = existing.dealer_id
    content = digests.content_digest(row, _points(row, draft), dealer_code=existing.dealer.code)
    if existing.sensor_id != draft.sensor.pk or content != existing.content_digest:
        raise _taken()
    return Recorded(existing, created=False)


def _taken() -> Conflict:
    return Conflict(
        Problem(
            "id",
            "This id already names a record with other content",
            "a new UUID, or the same content again; to correct a record, supersede it",
        )
    )


def _check_superseded(draft: CalibrationDraft) -> None:
    if draft.supersedes is None:
        return
    if Calibration.objects.filter(supersedes=draft.supersedes).exists():
        raise Conflict(
            Problem("supersedes", "That record is superseded already", "the newest record of it")
        )
