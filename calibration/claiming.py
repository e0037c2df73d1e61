"""Chunks of a scan: claimed by one worker at a time, under a lease and an attempt number.

The attempt number is the fence. Whoever claims a chunk whose lease has run out raises it; from
then on whatever the former owner still tries to write to the chunk matches no row, and the
transaction in which it tried is rolled back.
"""

import time
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import models, transaction
from django.db.models import Q

from calibration.models import ScanChunk, ScanRun

MOST_ATTEMPTS = 3  # whoever claims a chunk after that many does not do it, but sets it apart
_WAITING, _CLAIMED, _DONE = ScanChunk.Status


class LeaseLost(Exception):
    """Somebody else has taken the chunk over: stop, and write nothing."""


@dataclass(frozen=True)
class Clock:
    """The moment at which an entrance read the clock, and what has passed since."""

    begun: datetime
    _counter: float = field(default_factory=time.monotonic)

    def now(self) -> datetime:
        """Return the moment it is."""
        return self.begun + timedelta(seconds=time.monotonic() - self._counter)


def claim(*, run: ScanRun | None = None, worker: str, now: datetime) -> ScanChunk | None:
    """Claim the next chunk that waits, or one whose lease has run out; none where there is none.

    A stage's chunks are there when the stage before it is complete, so the first one that is not
    done is of the lowest unfinished stage. Without a run, chunks of the oldest unfinished one.
    """
    free = ScanChunk.objects.filter(run__finished_at=None).filter(
        Q(status=_WAITING) | Q(status=_CLAIMED, lease_until__lt=now)
    )
    free = free.order_by("run", "stage", "number") if run is None else free.filter(run=run)
    # SQLite has one writer at a time: whoever waits for work asks without taking its lock.
    if not free.exists():
        return None
    with transaction.atomic():
        chunk = free.select_for_update(skip_locked=True, of=("self",)).first()
        if chunk is not None:
            chunk.status, chunk.attempt = _CLAIMED, chunk.attempt + 1
            chunk.claimed_by, chunk.lease_until = worker[:80], now + settings.SCAN_LEASE
            chunk.save(update_fields=["status", "attempt", "claimed_by", "lease_until"])
    return chunk


def extend(chunk: ScanChunk, *, now: datetime, **values: Any) -> None:
    """Renew the lease, and note what was done since the last time.

    Raises
    ------
    LeaseLost
        If the chunk is no longer the caller's; nothing is written then.
    """
    _write(chunk, lease_until=now + settings.SCAN_LEASE, **values)


def finish(chunk: ScanChunk, **values: Any) -> None:
    """Note that the chunk is done; raises `LeaseLost` like `extend`."""
    _write(chunk, status=_DONE, lease_until=None, **values)


def give_back(chunk: ScanChunk, *, attempt: int) -> None:
    """Let somebody else claim it at once, so many attempts made; nothing where it is lost."""
    _mine(chunk).update(status=_WAITING, lease_until=None, attempt=attempt)


def unfinished(run: ScanRun) -> "models.QuerySet[ScanChunk]":
    """Return the chunks of a run that are not done."""
    return run.chunks.exclude(status=_DONE)


def _mine(chunk: ScanChunk) -> "models.QuerySet[ScanChunk]":
    return ScanChunk.objects.filter(pk=chunk.pk, status=_CLAIMED, attempt=chunk.attempt)


def _write(chunk: ScanChunk, **values: Any) -> None:
    if not _mine(chunk).update(**values):
        raise LeaseLost(str(chunk))
