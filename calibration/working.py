"""What a worker does with a chunk of a scan. Done twice, or half and then again, it is done once.

Whatever is judged is noted on the chunk in the same transaction: the marks that went, the rows
that were written, the counts, and how far the chunk is. So a worker that dies leaves a chunk
that says truly what is left, and one that lost its lease takes back what it was at.
"""

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import InterfaceError, OperationalError, transaction
from django.db.models import F, Q

from calibration import (
    claiming,
    columns,
    comparing,
    due,
    histories,
    judging,
    learning,
    overdue,
    packing,
    stages,
)
from calibration.claiming import Clock, LeaseLost
from calibration.flags import FlagChange
from calibration.fleetwide import settle_intervals, settle_lots
from calibration.judging import Judged
from calibration.models import PackedHistory, ScanChunk
from calibration.policies import mark_stale
from calibration.records import take_up
from calibration.stages import CLOSE, COMPARE, JUDGE, LEARN, PACK, Step
from fleet.models import Sensor

logger = logging.getLogger(__name__)

NARROWER = 32  # so much smaller are the batches in which the next attempt begins
DEADLOCKS = 5  # so often a batch is tried again when two judged one another's siblings
_AWAY = (OperationalError, InterfaceError)  # of the database, not of a sensor


@dataclass
class Held:
    """A chunk that is ours, the clock, and whom to tell how far it is."""

    chunk: ScanChunk
    clock: Clock
    told: Callable[[], None]
    renewed: datetime

    @property
    def now(self) -> datetime:
        """The moment that judgements and flags carry: when the worker began."""
        return self.clock.begun

    def keep(self, change: FlagChange | None = None, **values: Any) -> None:
        """Renew the lease and note what was done; raises `LeaseLost`."""
        self.renewed = self.clock.now()
        if change is not None:
            values["flags_opened"] = F("flags_opened") + change.opened
            values["flags_closed"] = F("flags_closed") + change.closed
        claiming.extend(self.chunk, now=self.renewed, **values)

    def renew(self) -> None:
        """Renew the lease when a quarter of it is over; for whoever calls often."""
        if self.clock.now() - self.renewed >= settings.SCAN_LEASE / 4:
            self.keep()

    def complete(self, **values: Any) -> Step:
        """Note that it is done, and begin what follows."""
        return stages.complete(self.chunk, now=self.clock.now(), **values)


def work(chunk: ScanChunk, *, clock: Clock, told: Callable[[], None]) -> Step:
    """Do a chunk that was just claimed; `told` is called whenever it is further.

    Raises
    ------
    LeaseLost
        If it took so long that somebody else has taken it over.
    """
    held = Held(chunk, clock, told, renewed=clock.now())
    try:
        return _work(held)
    except LeaseLost:
        raise
    except Exception as wrong:
        if chunk.work != COMPARE or isinstance(wrong, _AWAY):
            claiming.give_back(chunk, attempt=chunk.attempt)
            raise
        # To compare again what cannot be compared helps nobody: the next one sets it apart.
        logger.exception("%s cannot be done as a whole", chunk)
        claiming.give_back(chunk, attempt=max(chunk.attempt, claiming.MOST_ATTEMPTS))
        return Step()
    except BaseException:  # stopped by hand: the chunk did nothing wrong
        claiming.give_back(chunk, attempt=chunk.attempt - 1)
        raise


def _work(held: Held) -> Step:
    do = {LEARN: _learn, PACK: _pack, COMPARE: _compare, JUDGE: _judge, CLOSE: _close}
    set_apart = {
        LEARN: _without,
        PACK: _without,
        COMPARE: _compare_less,
        JUDGE: _judge_less,
        CLOSE: _without,
    }
    often = held.chunk.attempt > claiming.MOST_ATTEMPTS
    return (set_apart if often else do)[ScanChunk.Work(held.chunk.work)](held)


# ── Learn ─────────────────────────────────────────────────────────────────────
def _learn(held: Held) -> Step:
    full = held.chunk.run.full
    # What was learnt and the marks that follow come together. A full scan looks at everybody and
    # needs no marks; it writes what each model taught as it goes, so that posts need not wait.
    with nullcontext() if full else transaction.atomic():
        learnt = learning.learn(everything=full, now=held.now)
        if not full:
            whose = Sensor.objects.filter(model__in=learnt).values_list("pk", flat=True)
            why = "the fleet has taught something new about its model"
            mark_stale(whose, why=why, now=held.now)
        held.keep()
    return held.complete()


# ── Pack ──────────────────────────────────────────────────────────────────────
def _pack(held: Held) -> Step:
    chunk = held.chunk
    sensors = stages.to_pack(Q(pk__gte=chunk.first, pk__lte=chunk.last))
    for some in judging.batches(sensors.tolist()):
        with transaction.atomic():
            judging.lock(some)
            # Whoever was judged in the meantime has a pack that is newer than ours would be.
            still = stages.to_pack(columns.among("pk", some))
            written = histories.pack(still.tolist())
            held.keep(rows_written=F("rows_written") + written)
    return held.complete()


# ── Compare ───────────────────────────────────────────────────────────────────
def _compare(held: Held) -> Step:
    chunk = held.chunk

    def stored(judged: Judged) -> None:
        mark_stale(judged.touched, why="a sibling was judged anew", now=held.now)
        held.keep(judged.flags, rows_written=F("rows_written") + judged.rows_written)

    left: list[int] = []
    for company in comparing.within(chunk.first, chunk.last):
        left += comparing.settle(company, now=held.now, stored=stored)
        held.renew()
    failed = {each["sensor"] for each in chunk.failed}
    _judge_all(held, sorted(set(left) - failed), chunk.attempt)
    return held.complete(judged=chunk.sensors - len(chunk.failed))


def _compare_less(held: Held) -> Step:
    """Halve a range of companies; the sensors of one that stands alone are judged one by one."""
    chunk = held.chunk
    within = [each for each in comparing.companies() if chunk.first <= each[0] <= chunk.last]
    if len(within) > 1:
        half = len(within) // 2
        stages.divide(
            chunk,
            [
                (some[0][0], some[-1][0], sum(sensors for _, sensors in some), 0)
                for some in (within[:half], within[half:])
            ],
        )
        return Step()
    sensors = PackedHistory.objects.filter(company__gte=chunk.first, company__lte=chunk.last)
    why = "its company could not be compared"
    mark_stale(sensors.values_list("pk", flat=True), why=why, now=held.now)
    return held.complete(judged=chunk.sensors - len(chunk.failed))


# ── Judge ─────────────────────────────────────────────────────────────────────
def _judge(held: Held) -> Step:
    _judge_all(held, stages.to_judge(held.chunk).tolist(), held.chunk.attempt)
    return held.complete()


def _judge_less(held: Held) -> Step:
    """Set the sensor apart at which three attempts ended: alone, it has one more.

    The third attempt began sensor by sensor where the second had died, so it is the first one
    that is left; unless the workers were stopped by something else, and then it does no harm.
    """
    chunk = held.chunk
    left = stages.to_judge(chunk).tolist()
    if len(left) > 1:
        alone = (chunk.first, left[0], 1, claiming.MOST_ATTEMPTS - 1)
        stages.divide(chunk, [alone, (left[0] + 1, chunk.last, len(left) - 1, 0)])
        return Step()
    if left:
        why = f"judging it ended {chunk.attempt - 1} workers without a word"
        _put_aside(held, left[0], why)
    return held.complete()


def _judge_all(held: Held, sensor_ids: Sequence[int], attempt: int) -> None:
    for some in batches(sensor_ids, attempt):
        _judge_some(held, some)
        held.told()


def batches(sensor_ids: Sequence[int], attempt: int) -> Iterator[Sequence[int]]:
    """Yield batches of one transaction each; a second and third attempt begin with small ones.

    Where an attempt died, the batch that it died in comes first.
    """
    largest, at = judging.BATCH, 0
    small = max(1, largest // NARROWER ** (attempt - 1))
    carefully = 0 if attempt == 1 else largest // NARROWER ** (attempt - 2)
    while at < len(sensor_ids):
        size = small if at < carefully else largest
        yield sensor_ids[at : at + size]
        at += size


def _judge_some(held: Held, sensor_ids: Sequence[int]) -> None:
    """Judge a batch; where it fails, halve it until the one that cannot be judged stands alone."""
    try:
        _judge_together(held, sensor_ids)
    except (LeaseLost, *_AWAY):
        raise
    except Exception as wrong:
        if len(sensor_ids) > 1:
            half = len(sensor_ids) // 2
            _judge_some(held, sensor_ids[:half])
            _judge_some(held, sensor_ids[half:])
            return
        if not isinstance(wrong, ValueError | ArithmeticError):
            logger.exception("sensor %s cannot be judged", sensor_ids[0])
        _put_aside(held, sensor_ids[0], str(wrong) or type(wrong).__name__)


def _judge_together(held: Held, sensor_ids: Sequence[int]) -> None:
    for tries_left in range(DEADLOCKS, -1, -1):
        try:
            _judge_and_note(held, sensor_ids)
        except OperationalError as wrong:
            # Two workers whose batches are siblings of one another wait for each other's marks.
            deadlock = getattr(wrong.__cause__, "sqlstate", None) == "40P01"
            if not deadlock or not tries_left:
                raise
        else:
            return


def _judge_and_note(held: Held, sensor_ids: Sequence[int]) -> None:
    with transaction.atomic():
        judged = take_up(sensor_ids, now=held.now)
        held.keep(
            judged.flags,
            rows_written=F("rows_written") + judged.rows_written,
            **_further(held, sensor_ids, judged=F("judged") + len(sensor_ids)),
        )


def _put_aside(held: Held, sensor_id: int, why: str) -> None:
    """Report a sensor; its mark stays, and this scan does not try it again."""
    failed = [*held.chunk.failed, {"sensor": sensor_id, "reason": why}]
    held.keep(failed=failed, **_further(held, [sensor_id]))
    held.chunk.failed = failed


def _further(held: Held, sensor_ids: Sequence[int], **counts: Any) -> dict[str, Any]:
    """How far a chunk is after these sensors; one of companies counts at its end."""
    return {**counts, "first": sensor_ids[-1] + 1} if held.chunk.work == JUDGE else {}


# ── Close ─────────────────────────────────────────────────────────────────────
def _close(held: Held) -> Step:
    due.catch_up(now=held.now)
    held.renew()
    # From verdicts as they are now; before the overdue flags, which follow from due days.
    settle_intervals(everything=held.chunk.run.full, now=held.now, told=held.renew)
    held.renew()
    with transaction.atomic():
        held.keep(overdue.settle_overdue(now=held.now))
    with transaction.atomic():
        judged_anew = packing.take_uncounted()
        if len(judged_anew):  # lots follow from verdicts alone
            held.keep(settle_lots(now=held.now, sensors=judged_anew.tolist()))
    return held.complete()


def _without(held: Held) -> Step:
    """Go on without what nobody could do, and say so: a scan must come to its end."""
    why = f"{held.chunk.get_work_display()}: {held.chunk.attempt - 1} attempts failed"
    failed = [*held.chunk.failed, {"sensor": None, "reason": why}]
    return held.complete(failed=failed)
