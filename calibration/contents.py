"""What a draft says, as it is digested; whether a record says the same; refusals that follow."""

import uuid
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import TypeVar
from uuid import UUID
from zoneinfo import ZoneInfo

from calibration import digests
from calibration.digests import Content
from calibration.drafts import CalibrationDraft, FunctionalDraft, wall_clock
from calibration.models import Calibration, SealedRecord
from calibration.seats import Seat
from fleet.errors import Conflict, Problem
from fleet.models import Change, Dealer

_Point = tuple[float, float, str]
Draft = TypeVar("Draft", CalibrationDraft, FunctionalDraft)


def said_in(draft: CalibrationDraft, seat: Seat | None) -> Content:
    """Return what a draft says, at the place where its sensor sat."""
    return Content(
        draft.id or uuid.uuid4(),
        draft.sensor.serial,
        seat.machine_serial if seat else "",
        seat.position if seat else "",
        draft.performed_at,
        draft.technician,
        draft.note,
        draft.supersedes.pk if draft.supersedes else None,
        draft.supersede_reason,
        draft.reason,
        draft.stage,
        draft.reference.name if draft.reference else "",
        draft.load_unit,
        draft.reading_unit,
        None if draft.temperature_c is None else float(draft.temperature_c),
        None if draft.hydraulic_pressure is None else float(draft.hydraulic_pressure),
        draft.pressure_unit,
        digests.new_salt(),
    )


def points_in(draft: CalibrationDraft) -> list[_Point]:
    """Return a draft's points as they are stored."""
    return [(float(load), float(reading), way) for load, reading, way in draft.points]


def says_the_same(existing: Calibration, draft: CalibrationDraft) -> bool:
    """Whether a stored record's content, where it stood then left aside, is the draft's.

    Words that were erased are nobody's to compare, nor is what the reference was called then: the
    rest decides. A moment without an offset says the same where it is that of the record by the
    clock of its dealer now, or as that clock was when the record was made.
    """
    return any(_is_said(existing, each) for each in meanings(existing, draft))


def meanings(record: SealedRecord, draft: Draft) -> Iterator[Draft]:
    """Yield what a draft may mean: by today's clock, and by that of when a record was made."""
    yield draft
    then = _moment_then(record, draft.performed_at)
    if then is not None:
        yield replace(draft, performed_at=then)


def _moment_then(record: SealedRecord, moment: datetime) -> datetime | None:
    """Return what a moment that was sent without an offset meant when a record was made.

    By the clock of the dealer who recorded it, whose zone may have been edited since: the trail
    of changes, which the database writes, knows the zone before. None where an offset was sent.
    """
    typed = wall_clock(moment)
    if typed is None:
        return None
    edits = Change.objects.filter(
        table=Dealer._meta.db_table,
        row=str(record.dealer_id),
        at__gt=record.recorded_at,
        before__timezone__isnull=False,
    )
    before = edits.order_by("pk").values_list("before__timezone", flat=True).first()
    return typed.replace(tzinfo=ZoneInfo(before or record.dealer.timezone))


def _is_said(existing: Calibration, draft: CalibrationDraft) -> bool:
    said = said_in(draft, None)._replace(
        id=existing.pk,
        sensor_serial=existing.sensor_serial,
        machine_serial=existing.machine_serial,
        position=existing.position,
        words_salt=existing.words_salt,
        words_digest=existing.words_digest,
    )
    if draft.reference and draft.reference.pk == existing.reference_id:
        said = said._replace(reference_name=existing.reference_name)  # it may have another by now
    code = existing.dealer.code
    return (
        digests.calibration_digest(said, points_in(draft), dealer_code=code)
        == existing.content_digest
    )


def overtaken(key: UUID) -> Conflict:
    """Return the refusal to supersede a record that another one superseded."""
    said = ("That record is superseded already", "the newest record of it")
    return Conflict(Problem("supersedes", *said, str(key)))


def taken(key: UUID | None) -> Conflict:
    """Return the refusal of an id that names another record."""
    return Conflict(
        Problem(
            "id",
            "This id already names a record with other content",
            "a new UUID, or the same content again; to correct a record, supersede it",
            str(key or ""),
        )
    )
