"""The way in: a file's records, oldest first, each stored whole or refused with every reason."""

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from datetime import datetime
from typing import BinaryIO

from django.db import transaction
from django.db.models.functions import Upper

from calibration.importing.header import opened
from calibration.importing.reasons import bounded
from calibration.importing.register import Register, in_chunks
from calibration.importing.rejecting import rejects_of
from calibration.importing.result import ImportResult
from calibration.importing.rows import FileRecord, Reader
from calibration.importing.sequence import in_order
from calibration.importing.storing import Storing
from calibration.judging import lock
from calibration.models import Calibration
from fleet.models import Dealer, Sensor
from fleet.registry import require
from fleet.scope import Scope

# Called with the number of records that are done, and of all.
Progress = Callable[[int, int], None]


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
) -> ImportResult:
    """Load a record file for a dealer.

    Whether it is a CSV or a workbook is told by its content; `name` is kept for the messages of
    the caller. Loading a file again, or after it broke off, adds only what is not there yet.

    Raises
    ------
    Malformed
        If the file as a whole cannot be read; nothing is stored then.
    Forbidden
        If the caller may not record calibrations for this dealer.
    """
    require(scope, "create", "calibrations", dealer.pk)
    with opened(content) as sheet:
        records = Reader(sheet, dealer).records()
        run = _Run(ImportResult(len(records), dry_run=dry_run, file_name=name), progress)
        # A dry run does everything and rolls it back: it says what a load would do.
        with transaction.atomic() if dry_run else nullcontext():
            run.store(records, dealer=dealer, scope=scope, now=now, user_id=user_id)
            if dry_run:
                transaction.set_rollback(True)
        run.result.reasons.sort(key=lambda reason: reason.row)
        run.result.rejects = rejects_of(sheet, run.refused)
    return run.result


class _Run:
    """One pass over the records of a file."""

    def __init__(self, result: ImportResult, progress: Progress | None) -> None:
        self.result, self.progress = result, progress
        self.refused: list[FileRecord] = []

    def store(
        self,
        records: Sequence[FileRecord],
        *,
        dealer: Dealer,
        scope: Scope,
        now: datetime,
        user_id: int | None,
    ) -> None:
        """Store the records in order of time, some hundred in one transaction."""
        storing = Storing(Register(dealer, records), scope=scope, now=now, user_id=user_id)
        done = 0
        for some in in_chunks(in_order(records, dealer.code)):
            existing = _existing(some)
            with transaction.atomic():
                lock(_sensors(some))
                for record in some:
                    self._count(record, storing.store(record, existing.get(record.key)), storing)
                    done += 1
                    if self.progress:
                        self.progress(done, len(records))
                storing.judge()

    def _count(self, record: FileRecord, outcome: str, storing: Storing) -> None:
        result = self.result
        setattr(result, outcome, getattr(result, outcome) + 1)
        if outcome == "refused":
            self.refused.append(record)
            result.reasons += record.reasons
            bounded(len(result.reasons), record.reasons[-3:])
        else:
            storing.changes.tell(result.created, result.changed)


def _sensors(records: Sequence[FileRecord]) -> list[int]:
    """Keys of the sensors that these records name and the register knows."""
    named = {record.said.sensor.upper() for record in records}
    known = Sensor.objects.annotate(key=Upper("serial")).filter(key__in=named)
    return list(known.values_list("pk", flat=True))


def _existing(records: Sequence[FileRecord]) -> dict[object, Calibration]:
    keys = [record.key for record in records]
    rows = Calibration.objects.select_related(
        "sensor__model", "sensor__dealer", "reference", "installation__machine", "dealer"
    )
    return {row.pk: row for row in rows.filter(pk__in=keys)}
