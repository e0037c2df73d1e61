"""An uploaded file is one worker's at a time, under a lease and an attempt number.

As with the chunks of a scan (`calibration.claiming`), the attempt number is the fence: whoever
claims a file whose lease ran out raises it, and whatever the former owner still tries to write
is rolled back with everything else of its transaction. Cancelled, the file matches no more
either.
"""

from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import models, transaction
from django.db.models import Q

from calibration.claiming import LeaseLost
from calibration.models import ImportRun

Status = ImportRun.Status
_TO_DO = (Status.RECEIVED, Status.CHECKING, Status.COMMITTING)


def claim(*, worker: str, now: datetime) -> ImportRun | None:
    """Claim the oldest file that waits, or whose lease has run out; none where there is none."""
    free = ImportRun.objects.filter(
        Q(lease_until=None) | Q(lease_until__lt=now), status__in=_TO_DO
    ).order_by("created_at", "pk")
    # SQLite has one writer at a time: whoever waits for work asks without taking its lock.
    if not free.exists():
        return None
    with transaction.atomic():
        run: ImportRun | None = free.select_for_update(skip_locked=True, of=("self",)).first()
        if run is not None:
            if run.status == Status.RECEIVED:
                run.status = Status.CHECKING
            run.attempt, run.claimed_by = run.attempt + 1, worker[:80]
            run.lease_until = now + settings.IMPORT_LEASE
            run.save(update_fields=["status", "attempt", "claimed_by", "lease_until"])
    return run


def write(run: ImportRun, **values: Any) -> None:
    """Write to a run that is ours; raises `LeaseLost` where it is no more."""
    if not _mine(run).update(**values):
        raise LeaseLost(str(run.pk))


def extend(run: ImportRun, *, now: datetime, **values: Any) -> None:
    """Renew the lease, and note how far it is; raises `LeaseLost`."""
    write(run, lease_until=now + settings.IMPORT_LEASE, **values)


def give_back(run: ImportRun, *, attempt: int) -> None:
    """Let somebody else claim it at once; nothing where it is lost."""
    _mine(run).update(lease_until=None, attempt=attempt)


def _mine(run: ImportRun) -> "models.QuerySet[ImportRun]":
    rows: models.QuerySet[ImportRun] = ImportRun.objects.filter(
        pk=run.pk, status=run.status, attempt=run.attempt
    )
    return rows
