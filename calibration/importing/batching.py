"""A batch of a file's records: planned in memory one after the other, entered and sealed at once.

A record that only brings new rows to the register, or none, waits for the others; one that moves
a sensor or takes one off is stored by itself, after those before it. Where the database refuses
what waited, or somebody else was faster, all of it is undone and stored record by record: then
each is told what is wrong with it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import IntegrityError, transaction

from calibration.importing.clerks import Noting, NotPlain
from calibration.importing.register import Register
from calibration.importing.registering import Registering
from calibration.importing.rows import FileRecord
from calibration.importing.storing import (
    Caller,
    Kind,
    Outcome,
    blame,
    compare,
    draft_of,
    sits_elsewhere,
    store_alone,
)
from calibration.models import Calibration
from calibration.record_file import record_uuid
from calibration.records import CalibrationDraft, Recorded, seal_locked
from calibration.seats import Seat, Seats
from calibration.validating import check_draft, local_day
from fleet.enrolling import Keys, Newcomers, enrol
from fleet.errors import DomainError


class _Again(Exception):
    """What was sealed together cannot stay: it must be done record by record."""


@dataclass(frozen=True)
class _Planned:
    """A record that waits."""

    registering: Registering
    draft: CalibrationDraft


class Batch:
    """Stores some records, in the order given, in the transaction that is open."""

    def __init__(
        self, register: Register, caller: Caller, existing: Mapping[UUID, Calibration]
    ) -> None:
        self.register, self.caller, self.existing = register, caller, existing
        self._outcomes: dict[FileRecord, Outcome] = {}
        self._begin()

    def _begin(self) -> None:
        self._waiting: dict[FileRecord, _Planned] = {}
        self._new = Newcomers()
        self._clerk = Noting(Keys())

    def store(self, records: Sequence[FileRecord]) -> list[Outcome]:
        """Store each record whole, or refuse it with every reason that can be found."""
        code = self.register.dealer.code
        corrected = {
            record.key: record_uuid(record.said.supersedes, dealer_code=code)
            for record in records
            if record.said.supersedes
        }
        self.register.expect_records(list(corrected.values()))
        for record in records:
            if record.key in corrected and any(
                earlier.key == corrected[record.key] for earlier in self._waiting
            ):
                self._seal_waiting()
            self._take(record)
        self._seal_waiting()
        return [self._outcomes[record] for record in records]

    def _take(self, record: FileRecord) -> None:
        reasons = len(record.reasons)
        try:
            outcome = self._planned(record)
        except NotPlain:
            del record.reasons[reasons:]
            self._seal_waiting()
            outcome = store_alone(self.register, record, self.caller)
        if outcome:
            self._outcomes[record] = outcome

    def _planned(self, record: FileRecord) -> Outcome | None:
        """Let a record wait; or say at once what becomes of it."""
        registering = Registering(self.register, record, clerk=self._clerk)
        existing = self.existing.get(record.key)
        if existing:
            return compare(registering, existing, self.caller.now)
        draft = draft_of(registering, self.caller.now)
        if draft is None:
            return Outcome(record, "refused")
        if record.reasons or registering.changes.brings:
            self._check(registering, draft)
            if record.reasons:
                return Outcome(record, "refused")
        self._waiting[record] = _Planned(registering, draft)
        self._keep(registering)
        return None

    def _check(self, registering: Registering, draft: CalibrationDraft) -> None:
        """Check a draft before its place is entered: refused, it must leave nothing."""
        new = registering.changes.installations
        seats = Seats(
            Seat(row.pk, row.sensor_id, row.machine_id, row.machine.serial, row.position,
                 row.installed_on, row.removed_on)
            for row in (*self.register.installations_of(draft.sensor), *new)
        )  # fmt: skip
        try:
            check_draft(draft, now=self.caller.now, seats=seats)
        except DomainError as wrong:
            blame(registering.record, wrong)
            return
        seat = seats.at(draft.sensor.id, local_day(draft.sensor, draft.performed_at))
        if sits_elsewhere(registering.installation, seat and seat.id):
            raise NotPlain

    def _keep(self, registering: Registering) -> None:
        """Let the records after this one find what it brings."""
        changes = registering.changes
        self.register.learn(*changes.customers, *changes.machines, *changes.sensors)
        self.register.settle(changes.installations)
        self._new.customers += changes.customers
        self._new.machines += changes.machines
        self._new.sensors += changes.sensors
        self._new.installations += changes.installations

    def _seal_waiting(self) -> None:
        """Enter what the waiting records bring, and seal them."""
        waiting, new = self._waiting, self._new
        self._begin()
        if not waiting:
            return
        try:
            with transaction.atomic():
                enrol(new, dealer=self.register.dealer, scope=self.caller.scope)
                outcomes = self._sealed(list(waiting.values()), strict=bool(new))
        except (_Again, DomainError, IntegrityError):
            self.register.forget(new)
            self.register.look_again(list(waiting))
            outcomes = [store_alone(self.register, record, self.caller) for record in waiting]
        self._outcomes |= dict(zip(waiting, outcomes, strict=True))

    def _sealed(self, waiting: Sequence[_Planned], *, strict: bool) -> list[Outcome]:
        """Seal drafts; `strict`: all of them, or none."""
        caller = self.caller
        sealed = seal_locked(
            [planned.draft for planned in waiting],
            scope=caller.scope,
            now=caller.now,
            user_id=caller.user_id,
        )
        for planned, recorded in zip(waiting, sealed, strict=True):
            if strict and not isinstance(recorded, Recorded):
                raise _Again
            claimed = planned.registering.installation
            if isinstance(recorded, Recorded) and sits_elsewhere(
                claimed, recorded.installation_id
            ):
                raise _Again
        return [_told(*each) for each in zip(waiting, sealed, strict=True)]


def _told(planned: _Planned, recorded: Recorded | DomainError) -> Outcome:
    registering = planned.registering
    if not isinstance(recorded, Recorded):
        blame(registering.record, recorded)
        return Outcome(registering.record, "refused")
    kind: Kind = "stored" if recorded.created else "already_there"
    return Outcome(registering.record, kind, registering.changes, planned.draft.sensor.id)
