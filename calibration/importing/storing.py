"""One record: into the register, checked, recorded; or refused, and nothing of it stays."""

from datetime import datetime
from typing import Any, Literal

from django.db import transaction

from calibration.importing.changes import Changes
from calibration.importing.register import Register
from calibration.importing.registering import Registering
from calibration.importing.rows import FileRecord
from calibration.ledger import says_the_same
from calibration.models import Calibration
from calibration.record_file import COLUMNS, OPTIONAL
from calibration.records import CalibrationDraft, judge_sealed, seal
from calibration.seats import Seats
from calibration.validating import check_draft
from fleet.errors import DomainError, Problem
from fleet.models import Sensor
from fleet.scope import Scope

Outcome = Literal["stored", "already_there", "refused"]
OTHER_CONTENT = "This record_id already names a record with other content"
SAME_OR_NEW = "the same content again, or a new record_id; to correct a record, supersede it"


class _RolledBack(Exception):
    """The record was refused: undo what was done for it."""


class Storing:
    """Stores records one by one; `changes` is what the last one changed in the register."""

    def __init__(
        self, register: Register, *, scope: Scope, now: datetime, user_id: int | None
    ) -> None:
        self.register, self.scope, self.now, self.user_id = register, scope, now, user_id
        self.changes = Changes()
        self.unjudged: set[int] = set()

    def store(self, record: FileRecord, existing: Calibration | None) -> Outcome:
        """Store one record whole, or refuse it with every reason that can be found."""
        registering = Registering(self.register, record, scope=self.scope)
        outcome: Outcome = "refused"
        try:
            with transaction.atomic():
                outcome = self._store(registering, existing)
                if record.reasons:
                    raise _RolledBack  # noqa: TRY301 - the way out of the transaction
        except _RolledBack:
            outcome = "refused"
        self._keep(registering.changes, good=outcome == "stored")
        return outcome

    def _keep(self, changes: Changes, *, good: bool) -> None:
        """Bring the register's copy up to date, also where a change was rolled back."""
        self.changes = changes if good else Changes()
        if good:
            self.register.learn(*changes.customers, *changes.machines, *changes.sensors)
        if changes.touched_sensors:
            self.register.refresh(
                [row for row in changes.touched_sensors if good or row not in changes.sensors],
                [row for row in changes.touched_machines if good or row not in changes.machines],
            )

    def _store(self, registering: Registering, existing: Calibration | None) -> Outcome:
        record = registering.record
        if existing:
            return self._compare(registering, existing)
        sensor = registering.sensor()
        registering.settle(sensor)
        reference, supersedes = registering.reference(None), registering.supersedes()
        if sensor is None:
            return "refused"
        draft = self._draft(record, sensor, reference=reference, supersedes=supersedes)
        try:
            if record.reasons:
                check_draft(draft, now=self.now, seats=Seats.of([sensor.pk]))
                return "refused"
            recorded = seal(draft, scope=self.scope, now=self.now, user_id=self.user_id)
        except DomainError as wrong:
            _blame(record, wrong)
            return "refused"
        where = registering.installation
        if where and recorded.calibration.installation_id != where.pk:
            record.refuse(
                "position",
                "The sensor sat somewhere else too on that day",
                "the place where it came to on that day",
                value=record.said.position,
            )
        if not recorded.created:
            return "already_there"
        self.unjudged.add(recorded.calibration.sensor_id)
        return "stored"

    def judge(self) -> None:
        """Judge the sensors of what was stored since the last call, in the same transaction."""
        if self.unjudged:
            judge_sealed(sorted(self.unjudged), now=self.now)
        self.unjudged.clear()

    def _compare(self, registering: Registering, existing: Calibration) -> Outcome:
        """Tell whether a record that is there already says the same; the register stays."""
        record = registering.record
        reference, supersedes = registering.reference(existing), registering.supersedes()
        if record.reasons:
            return "refused"
        draft = self._draft(record, existing.sensor, reference=reference, supersedes=supersedes)
        if not self._is_of(existing, record) or not says_the_same(existing, draft):
            record.refuse("record_id", OTHER_CONTENT, SAME_OR_NEW, value=record.name)
        return "already_there"

    def _is_of(self, existing: Calibration, record: FileRecord) -> bool:
        """Whether a stored record is of the file's dealer, sensor and place."""
        said, place = record.said, existing.installation
        machine, position = (place.machine.serial, place.position) if place else ("", "")
        return (
            existing.sensor.dealer_id == self.register.dealer.pk
            and said.sensor.upper() == existing.sensor.serial.upper()
            and said.machine.upper() in ("", machine.upper())
            and said.position in ("", position)
        )

    def _draft(self, record: FileRecord, sensor: Sensor, **found: Any) -> CalibrationDraft:
        """Return the record as a draft; where a cell was refused, something that cannot offend."""
        said = record.said
        return CalibrationDraft(
            sensor=sensor,
            performed_at=said.performed_at or self.now,
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


def _blame(record: FileRecord, wrong: DomainError) -> None:
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
