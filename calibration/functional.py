"""Record a functional test and judge it; the same write path for API, admin and import."""

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from calibration import digests, proving
from calibration.contents import meanings, overtaken
from calibration.drafts import FunctionalDraft, StepDraft
from calibration.models import FunctionalTest, SetpointStep
from calibration.validating_tests import check_functional
from fleet.errors import Conflict, Problem
from fleet.models import Sensor
from fleet.registry import require
from fleet.scope import Scope

__all__ = [
    "FunctionalDraft",
    "RecordedTest",
    "StepDraft",
    "check_functional_test",
    "record_functional_test",
    "stored_test",
]


@dataclass(frozen=True)
class RecordedTest:
    """A stored functional test, and whether this call stored it."""

    functional_test: FunctionalTest
    created: bool


@transaction.atomic
def record_functional_test(
    draft: FunctionalDraft, *, scope: Scope, now: datetime, user_id: int | None = None
) -> RecordedTest:
    """Seal and judge one functional test; the same one twice is stored once.

    Raises
    ------
    Invalid
        If it cannot be; every problem is named.
    Conflict
        If its id is taken by other content, or what it supersedes is superseded already.
    Forbidden
        If the caller may not record for this sensor's dealer.
    """
    sensor = Sensor.objects.select_for_update(no_key=True).get(pk=draft.installation.sensor_id)
    require(scope, "create", "functional-tests", sensor.dealer_id)
    existing = FunctionalTest.objects.filter(pk=draft.id).first() if draft.id else None
    check_functional(draft, now=now, repeated=existing is not None)
    if existing:
        return _already_there(existing, draft)
    row = _row(draft, sensor)
    row.words_salt = digests.new_salt()
    steps = _steps(row, draft)
    if draft.supersedes and FunctionalTest.objects.filter(supersedes=draft.supersedes).exists():
        raise overtaken(draft.supersedes.pk)
    digests.seal(row, steps, now=now, by=user_id)
    try:
        row.save(force_insert=True)
    except IntegrityError as clash:
        raise _taken(row.pk) from clash
    SetpointStep.objects.bulk_create(steps)
    proving.judge_tests([sensor.pk], now=now)
    return RecordedTest(row, created=True)


def stored_test(key: uuid.UUID | None, sensor: Sensor) -> FunctionalTest | None:
    """Return the test of this sensor that has this id already: it is being sent again.

    Its sensor may sit elsewhere by now, or under another dealer; what is sent again was said
    where the stored one was made.
    """
    rows = FunctionalTest.objects.select_related("installation__machine", "dealer")
    return rows.filter(pk=key, sensor=sensor).first() if key else None


@transaction.atomic
def check_functional_test(
    draft: FunctionalDraft, *, scope: Scope, now: datetime
) -> dict[str, Any]:
    """Return the whole answer to a test without storing it: recorded, read, rolled back."""
    from calibration import readout

    with transaction.atomic():
        recorded = record_functional_test(draft, scope=scope, now=now)
        answer = readout.functional_answer(recorded.functional_test, scope)
        transaction.set_rollback(True)
    return answer | {"digest": None, "stored": False}


def _row(draft: FunctionalDraft, sensor: Sensor) -> FunctionalTest:
    return FunctionalTest(
        id=draft.id or uuid.uuid4(),
        sensor=sensor,
        dealer_id=sensor.dealer_id,
        sensor_serial=sensor.serial,
        installation=draft.installation,
        machine_serial=draft.installation.machine.serial,
        position=draft.installation.position,
        performed_at=draft.performed_at,
        technician=draft.technician,
        note=draft.note,
        load_unit=draft.load_unit,
        pressure_unit=draft.pressure_unit,
        supersedes=draft.supersedes,
        supersede_reason=draft.supersede_reason,
    )


def _steps(row: FunctionalTest, draft: FunctionalDraft) -> list[SetpointStep]:
    return [
        SetpointStep(
            functional_test=row,
            number=number,
            commanded=float(step.commanded),
            displayed_mean=float(step.displayed_mean),
            displayed_min=_float(step.displayed_min),
            displayed_max=_float(step.displayed_max),
            pressure=_float(step.pressure),
            observed=step.observed,
        )
        for number, step in enumerate(draft.steps, start=1)
    ]


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


def _already_there(existing: FunctionalTest, draft: FunctionalDraft) -> RecordedTest:
    elsewhere = existing.installation_id != draft.installation.pk
    if elsewhere or not any(_is_said(existing, each) for each in meanings(existing, draft)):
        raise _taken(existing.pk)
    return RecordedTest(existing, created=False)


def _is_said(existing: FunctionalTest, draft: FunctionalDraft) -> bool:
    row = _row(draft, draft.installation.sensor)
    row.machine_serial, row.position = existing.machine_serial, existing.position
    row.words_salt, row.words_digest = existing.words_salt, existing.words_digest
    content = digests.content_digest(row, _steps(row, draft), dealer_code=existing.dealer.code)
    return content == existing.content_digest


def _taken(key: uuid.UUID) -> Conflict:
    return Conflict(
        Problem(
            "id",
            "This id already names a record with other content",
            "a new UUID, or the same content again",
            str(key),
        )
    )
