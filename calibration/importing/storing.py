"""One record by itself: into the register and sealed; or refused, and nothing of it stays."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from django.db import transaction

from calibration.contents import says_the_same
from calibration.importing.changes import Changes
from calibration.importing.clerks import AtOnce
from calibration.importing.register import Register
from calibration.importing.registering import Registering
from calibration.importing.rows import FileRecord
from calibration.models import Calibration
from calibration.record_file import COLUMNS, OPTIONAL
from calibration.records import CalibrationDraft, seal
from calibration.seats import Seats
from calibration.validating import check_draft
from fleet.errors import DomainError, Problem
from fleet.models import Installation, Sensor
from fleet.scope import Scope

Kind = Literal["stored", "already_there", "refused"]
OTHER_CONTENT = "This record_id already names a record with other content"
SAME_OR_NEW = "the same content again, or a new record_id; to correct a record, supersede it"


@dataclass(frozen=True)
class Outcome:
    """What became of one record, and what it changed in the register."""

    record: FileRecord
    kind: Kind
    changes: Changes = field(default_factory=Changes)
    sensor_id: int | None = None


@dataclass(frozen=True)
class Caller:
    """Who loads the file, and when."""

    scope: Scope
    now: datetime
    user_id: int | None


class _RolledBack(Exception):
    """The record was refused: undo what was done for it."""


def store_alone(register: Register, record: FileRecord, caller: Caller) -> Outcome:
    """Store one record whole, or refuse it with every reason that can be found."""
    registering = Registering(register, record, clerk=AtOnce(caller.scope))
    outcome = Outcome(record, "refused")
    try:
        with transaction.atomic():
            outcome = _stored(registering, caller)
            if record.reasons:
                raise _RolledBack  # noqa: TRY301 - the way out of the transaction
    except _RolledBack:
        outcome = Outcome(record, "refused")
    _keep(register, registering.changes, good=outcome.kind == "stored")
    return outcome


def _keep(register: Register, changes: Changes, *, good: bool) -> None:
    """Bring the register's copy up to date, also where a change was rolled back."""
    if good:
        register.learn(*changes.customers, *changes.machines, *changes.sensors)
    if changes.touched_sensors:
        register.refresh(
            [row for row in changes.touched_sensors if good or row not in changes.sensors],
            [row for row in changes.touched_machines if good or row not in changes.machines],
        )


def _stored(registering: Registering, caller: Caller) -> Outcome:
    record = registering.record
    draft = draft_of(registering, caller.now)
    if draft is None:
        return Outcome(record, "refused")
    try:
        if record.reasons:
            check_draft(draft, now=caller.now, seats=Seats.of([draft.sensor.pk]))
            return Outcome(record, "refused")
        recorded = seal(draft, scope=caller.scope, now=caller.now, user_id=caller.user_id)
    except DomainError as wrong:
        blame(record, wrong)
        return Outcome(record, "refused")
    if sits_elsewhere(registering.installation, recorded.installation_id):
        record.refuse(
            "position",
            "The sensor sat somewhere else too on that day",
            "the place where it came to on that day",
            value=record.said.position,
        )
    kind: Kind = "stored" if recorded.created else "already_there"
    return Outcome(record, kind, registering.changes, draft.sensor.pk)


def sits_elsewhere(claimed: Installation | None, found: int | None) -> bool:
    """Whether the place that a record claims is not the one where its sensor is found to sit."""
    return claimed is not None and claimed.pk != found


def compare(registering: Registering, existing: Calibration, now: datetime) -> Outcome:
    """Tell whether a record that is there already says the same; the register stays."""
    record = registering.record
    reference, supersedes = registering.reference(existing), registering.supersedes()
    if record.reasons:
        return Outcome(record, "refused")
    draft = _draft(record, existing.sensor, now, reference=reference, supersedes=supersedes)
    if not _is_of(existing, registering) or not says_the_same(existing, draft):
        record.refuse("record_id", OTHER_CONTENT, SAME_OR_NEW, value=record.name)
        return Outcome(record, "refused")
    return Outcome(record, "already_there", sensor_id=existing.sensor_id)


def _is_of(existing: Calibration, registering: Registering) -> bool:
    """Whether a stored record is of the file's dealer, sensor and place."""
    said, place = registering.said, existing.installation
    machine, position = (place.machine.serial, place.position) if place else ("", "")
    return (
        existing.sensor.dealer_id == registering.dealer.pk
        and said.sensor.upper() == existing.sensor.serial.upper()
        and said.machine.upper() in ("", machine.upper())
        and said.position in ("", position)
    )


def draft_of(registering: Registering, now: datetime) -> CalibrationDraft | None:
    """Bring a record into the register and return its draft; None where it has no sensor."""
    sensor = registering.sensor()
    registering.settle(sensor)
    reference, supersedes = registering.reference(None), registering.supersedes()
    if sensor is None:
        return None
    return _draft(registering.record, sensor, now, reference=reference, supersedes=supersedes)


def _draft(record: FileRecord, sensor: Sensor, now: datetime, **found: Any) -> CalibrationDraft:
    """Return the record as a draft; where a cell was refused, something that cannot offend."""
    said = record.said
    return CalibrationDraft(
        sensor=sensor,
        performed_at=said.performed_at or now,
        load_unit=said.load_unit or "N",
        reading_unit=said.reading_unit or sensor.model.reading_unit,
        points=tuple(record.points),
        id=record.key,
        reason=said.reason,
        stage=said.stage,
        technician=said.technician,
        temperature_c=said.temperature_c,
        hydraulic_pressure=said.hydraulic_pressure,
        pressure_unit=said.pressure_unit,
        note=said.note,
        supersede_reason=said.supersede_reason,
        **found,
    )


def blame(record: FileRecord, wrong: DomainError) -> None:
    """Turn a service's problems into reasons; what follows from a refused cell is left out."""
    unreadable = record.unreadable
    for problem in wrong.problems:
        column, row = _place_of(problem, record)
        of_points = problem.field.startswith("points")
        follows = of_points and (
            "reading_unit" in unreadable or (not column and unreadable & {"load", "reading"})
        )
        if column in unreadable - {"", "load", "reading", "direction"} or follows:
            continue
        if column == "record_id":  # somebody else's record, met in the moment of storing
            record.refuse(column, OTHER_CONTENT, SAME_OR_NEW, value=record.name)
            continue
        record.refuse(column, problem.reason, problem.accepted, value=problem.value, row=row)


def _place_of(problem: Problem, record: FileRecord) -> tuple[str, int]:
    """Return the column and row that a service's field stands for; no column where none does."""
    parts = problem.field.split(".")
    row = record.rows[0]
    if parts[0] == "points" and len(parts) == 3 and parts[1].isdigit():
        row = record.point_rows[int(parts[1])]
    column = "record_id" if parts[-1] == "id" else parts[-1]
    return (column if column in COLUMNS + OPTIONAL else "", row)
