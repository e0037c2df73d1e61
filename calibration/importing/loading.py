"""The way in: a file's records, oldest first, each stored whole or refused with every reason."""

import gc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import BinaryIO
from uuid import UUID

from django.db import connection, transaction

from calibration import turns
from calibration.importing.apart import apart
from calibration.importing.batching import Batch
from calibration.importing.header import opened
from calibration.importing.reasons import bounded
from calibration.importing.register import Register, used_up
from calibration.importing.rejecting import rejects_of
from calibration.importing.result import ImportResult
from calibration.importing.rows import FileRecord, Reader
from calibration.importing.sequence import in_order
from calibration.importing.storing import Caller, Outcome
from calibration.models import Calibration, StaleSensor
from calibration.policies import mark_stale
from calibration.records import judge_marked
from fleet.errors import Malformed
from fleet.models import Dealer, Sensor
from fleet.registry import require
from fleet.scope import Scope

_USUAL_COLLECTIONS = gc.get_threshold()

# Called with the number of records, or of judged sensors, that are done, and of all.
Progress = Callable[[int, int], None]
# Called with what became of some records: in the transaction that stores them, or in none where
# it was rolled back.
Noted = Callable[[Sequence[Outcome]], None]


def load_file(  # noqa: PLR0913 - one call for the command, the API and the tests
    content: bytes | BinaryIO,
    *,
    dealer: Dealer,
    scope: Scope,
    now: datetime,
    name: str = "",
    dry_run: bool = False,
    user_id: int | None = None,
    progress: Progress | None = None,
    judged: Progress | None = None,
    read: Callable[[int], None] | None = None,
    noted: Noted | None = None,
) -> ImportResult:
    """Load a record file for a dealer.

    Whether it is a CSV or a workbook is told by its content; `name` is kept for the messages of
    the caller. Loading a file again, or after it broke off, adds only what is not there yet.
    `read` is told how many rows are read, `progress` how many records are done, `judged` then
    how many of their sensors; `noted` is given what became of each.

    Raises
    ------
    Malformed
        If the file as a whole cannot be read (nothing is stored then), or nearly every record is
        refused (what was stored by then stays).
    Forbidden
        If the caller may not record calibrations for this dealer.
    """
    require(scope, "create", "calibrations", dealer.pk)
    caller = Caller(scope, now, user_id)
    with _seldom_collected(), opened(content) as sheet:
        records = Reader(sheet, dealer, read=read).records()
        result = ImportResult(len(records), dry_run=dry_run, file_name=name)
        run = _Run(result, progress, noted)
        if dry_run:
            run.rehearse(records, dealer=dealer, caller=caller)
        else:
            try:
                run.store(records, dealer=dealer, caller=caller)
            except Malformed:  # given up half-way: what is stored by then stays, and is judged
                run.judge(now, judged)
                raise
        run.result.reasons.sort(key=lambda reason: reason.row)
        run.result.rejects = rejects_of(sheet, run.refused)
    if not dry_run:  # verdicts are no part of what it says
        run.judge(now, judged)
    return run.result


@contextmanager
def _seldom_collected() -> Iterator[None]:
    """Let Python look for cycles of objects more seldom.

    It would walk through all records of a file again and again, a third of the time, and find
    none: records hold texts and numbers.
    """
    gc.set_threshold(200_000, 20, 20)
    try:
        yield
    finally:
        gc.set_threshold(*_USUAL_COLLECTIONS)


class _Run:
    """One pass over the records of a file."""

    def __init__(
        self, result: ImportResult, progress: Progress | None, noted: Noted | None
    ) -> None:
        self.result, self.progress, self.noted = result, progress, noted
        self.customers: set[str] = set()
        self.refused: list[FileRecord] = []
        self.unjudged: set[int] = set()
        self.seen: set[int] = set()

    def store(self, records: list[FileRecord], *, dealer: Dealer, caller: Caller) -> None:
        """Store the records in order of time, some in one transaction; `records` is used up."""
        register = Register(dealer, records)
        ordered = list(in_order(records, dealer.code))
        records.clear()
        total, done = len(ordered), 0
        if self.progress:
            self.progress(0, total)
        # Marks outlive a crash; in one transaction with the caller's nothing else does.
        commits = not connection.in_atomic_block
        for some in used_up(ordered):
            with transaction.atomic():
                known = [register.sensor(record.said.sensor) for record in some]
                turns.lock({sensor.pk for sensor in known if sensor})
                outcomes = Batch(register, caller, _existing(some)).store(some)
                stored = {
                    outcome.sensor_id
                    for outcome in outcomes
                    if outcome.kind == "stored" and outcome.sensor_id
                }
                if commits:
                    _mark(stored, caller.now)
                if self.noted:
                    self.noted(outcomes)
            self.unjudged |= stored
            for outcome in outcomes:
                self._count(outcome)
                done += 1
                if self.progress:
                    self.progress(done, total)

    def rehearse(self, records: list[FileRecord], *, dealer: Dealer, caller: Caller) -> None:
        """Do what storing would do and roll it back, a batch at a time; `records` is used up."""
        batches = list(apart(records, dealer.code))
        total, done = len(records), 0
        if self.progress:
            self.progress(0, total)
        records.clear()
        batches.reverse()
        while batches:
            outcomes = self._rolled_back(batches.pop(), dealer, caller)
            for outcome in outcomes:
                self._once_each(outcome)
                self._count(outcome)
            if self.noted:
                self.noted(outcomes)
            done += len(outcomes)
            if self.progress:
                self.progress(done, total)

    def _rolled_back(
        self, records: list[FileRecord], dealer: Dealer, caller: Caller
    ) -> list[Outcome]:
        """Store records that hang together, and take everything back."""
        outcomes: list[Outcome] = []
        with transaction.atomic():
            register = Register(dealer, records)
            for some in used_up(list(in_order(records, dealer.code))):
                known = [register.sensor(record.said.sensor) for record in some]
                turns.lock({sensor.pk for sensor in known if sensor})
                outcomes += Batch(register, caller, _existing(some)).store(some)
            transaction.set_rollback(True)
        return outcomes

    def _once_each(self, outcome: Outcome) -> None:
        """Leave out customers whom an earlier batch would have brought already."""
        brought = outcome.changes.customers
        fresh = [row for row in brought if row.name.upper() not in self.customers]
        brought[:] = fresh
        self.customers.update(row.name.upper() for row in fresh)

    def judge(self, now: datetime, progress: Progress | None) -> None:
        """Judge every sensor once that has new records, also those of a load that broke off."""
        marked = StaleSensor.objects.values_list("sensor_id", flat=True)
        self.unjudged.update(pk for pk in marked if pk in self.seen)
        failed = judge_marked(sorted(self.unjudged), now=now, progress=progress)
        serials = Sensor.objects.filter(pk__in=failed).values_list("pk", "serial")
        self.result.unjudged = [f"{serial}: {failed[pk]}" for pk, serial in serials]

    def _count(self, outcome: Outcome) -> None:
        result, record = self.result, outcome.record
        setattr(result, outcome.kind, getattr(result, outcome.kind) + 1)
        if outcome.sensor_id:
            self.seen.add(outcome.sensor_id)
        if outcome.kind == "refused":
            self.refused.append(record)
            result.reasons += record.reasons
            bounded(len(result.reasons), record.reasons[-3:])
        elif outcome.kind == "stored":
            outcome.changes.tell(result.created, result.changed)


def _mark(sensor_ids: set[int], now: datetime) -> None:
    """Note that sensors must be judged; while we hold their locks, no mark goes."""
    mark_stale(sensor_ids, why="records were loaded from a file", now=now)


def _existing(records: Sequence[FileRecord]) -> dict[UUID, Calibration]:
    keys = [record.key for record in records]
    rows = Calibration.objects.select_related(
        "sensor__model", "sensor__dealer", "reference", "installation__machine", "dealer"
    )
    return {row.pk: row for row in rows.filter(pk__among=keys)}
