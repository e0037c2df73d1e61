"""What a worker does with a chunk of a scan. Done twice, or half and then again, it is done once.

Whatever is judged is noted on the chunk in the same transaction: the marks that went, the rows
that were written, the counts, and how far the chunk is. So a worker that dies leaves a chunk
that says truly what is left, and one that lost its lease takes back what it was at.
"""

import logging
from collections.abc import Callable, Sequence
from contextlib import nullcontext

import numpy as np
from django.db import transaction
from django.db.models import F, Q

from calibration import (
    claiming,
    columns,
    comparing,
    due,
    histories,
    learning,
    overdue,
    stages,
    together,
    turns,
)
from calibration.claiming import Clock, LeaseLost
from calibration.fleetwide import settle_intervals, settle_lots
from calibration.held import Held
from calibration.judging import Judged
from calibration.models import PackedHistory, ScanChunk, UncountedSensor
from calibration.narrowing import AWAY, judge_all, put_aside
from calibration.policies import mark_stale
from calibration.stages import CLOSE, COMPARE, JUDGE, LEARN, MARKED, PACK, Step
from calibration.together import Span
from fleet.models import Sensor

logger = logging.getLogger(__name__)


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
        set_apart = chunk.attempt > claiming.MOST_ATTEMPTS
        if chunk.work != COMPARE or set_apart or isinstance(wrong, AWAY):
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
    do = {
        LEARN: _learn,
        PACK: _pack,
        COMPARE: _compare,
        MARKED: _judge_marked,
        JUDGE: _judge,
        CLOSE: _close,
    }
    set_apart = {
        LEARN: _without,
        PACK: _without,
        COMPARE: _compare_less,
        MARKED: _judge_marked_less,
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
    for some in together.batches(sensors.tolist()):
        with transaction.atomic():
            turns.lock(some)
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
    for span in _groups(Span(chunk.first, chunk.last), chunk.sensors):
        left += comparing.settle(span, now=held.now, stored=stored)
        held.renew()
    failed = [each["sensor"] for each in chunk.failed]
    judge_all(held, *together.by_dealer(np.setdiff1d(np.array(left, dtype=np.int64), failed)))
    return held.complete(judged=chunk.sensors - len(chunk.failed))


def _groups(whole: Span, sensors: int) -> list[Span]:
    """Cut a span of companies, of so many sensors when the chunk was made, into groups."""
    if sensors <= comparing.GROUP:
        return [whole]
    return [span for span, _ in together.spans(comparing.companies(whole), comparing.GROUP)]


def _compare_less(held: Held) -> Step:
    """Halve a range of companies; the sensors of one that stands alone are judged one by one."""
    chunk = held.chunk
    within = comparing.companies(Span(chunk.first, chunk.last))
    if len(within) > 1:
        half = len(within) // 2
        stages.divide(
            chunk,
            [
                (COMPARE, (some[0][0], some[-1][0], sum(sensors for _, sensors in some), 0))
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
    judge_all(held, stages.to_judge(held.chunk))
    return held.complete()


def _judge_marked(held: Held) -> Step:
    judge_all(held, *stages.to_judge_together(held.chunk))
    return held.complete()


def _judge_less(held: Held) -> Step:
    left = stages.to_judge(held.chunk).tolist()
    return _set_apart(held, left, left[0] + 1 if left else held.chunk.last)


def _judge_marked_less(held: Held) -> Step:
    return _set_apart(held, stages.to_judge_together(held.chunk)[0].tolist(), held.chunk.first)


def _set_apart(held: Held, left: Sequence[int], rest_from: int) -> Step:
    """Set the sensor apart at which three attempts ended: alone, it has one more.

    The third attempt began sensor by sensor where the second had died, so it is the first one
    that is left; unless the workers were stopped by something else, and then it does no harm.
    """
    chunk = held.chunk
    if len(left) > 1:
        alone = (left[0], left[0], 1, claiming.MOST_ATTEMPTS - 1)
        rest = (rest_from, chunk.last, len(left) - 1, 0)
        stages.divide(chunk, [(JUDGE, alone), (chunk.work, rest)])
        return Step()
    if left:
        why = f"judging it ended {chunk.attempt - 1} workers without a word"
        put_aside(held, left[0], why)
    return held.complete()


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
        if UncountedSensor.objects.exists():  # lots follow from verdicts alone
            held.keep(settle_lots(now=held.now, sensors=()))
    return held.complete()


def _without(held: Held) -> Step:
    """Go on without what nobody could do, and say so: a scan must come to its end."""
    why = f"{held.chunk.get_work_display()}: {held.chunk.attempt - 1} attempts failed"
    failed = [*held.chunk.failed, {"sensor": None, "reason": why}]
    return held.complete(failed=failed)
