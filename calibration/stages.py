"""The stages of a scan as rows: learn, judge what changed, judge what that touched, close.

A full scan packs what is not packed and compares everybody before it judges whom that leaves.

A stage's chunks are made in the transaction that completes the last chunk of the stage before
it: a scan that is killed at any moment stands at one stage, with all its chunks.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from django.db import models, transaction
from django.db.models import Count, Exists, OuterRef, Q, Sum
from numpy.typing import NDArray

from calibration import claiming, columns, comparing, histories, packing, together
from calibration.models import Calibration, PackedHistory, ScanChunk, ScanRun, StaleSensor
from fleet.models import Sensor

COMPARE_SENSORS = comparing.GROUP  # in a chunk: half a second of work
JUDGE_SENSORS = 20_000  # ten seconds of work or so
MARKED_SENSORS = 5_000  # or those of one dealer: a few seconds of work
MOST_ROUNDS = 5  # a verdict reaches its siblings in one round and comes to rest in the next

EVERYBODY = 2  # the stage of a full scan in which it sees everybody

LEARN, PACK, COMPARE, MARKED, JUDGE, CLOSE = ScanChunk.Work
_WAITING, _CLAIMED, _DONE = ScanChunk.Status
ALL = Q()
CALIBRATED = Q(Exists(Calibration.objects.filter(sensor=OuterRef("pk"))))
Keys = NDArray[np.int64]


@dataclass(frozen=True)
class Step:
    """What completing a chunk led to: so many new chunks, or the end of the scan."""

    new: int = 0
    finished: bool = False


def begin(run: ScanRun) -> None:
    """Make the first stage; where it is made already, nothing."""
    first = ScanChunk(run=run, stage=0, number=0, work=LEARN)
    ScanChunk.objects.bulk_create([first], ignore_conflicts=True)


def complete(chunk: ScanChunk, *, now: datetime, **values: Any) -> Step:
    """Note that a chunk is done; after the last one of its stage, make the next or end the scan.

    Raises
    ------
    LeaseLost
        If the chunk is no longer the caller's.
    """
    with transaction.atomic():
        # Two who complete the last two chunks come here one after the other.
        run = ScanRun.objects.select_for_update(no_key=True).get(pk=chunk.run_id)
        claiming.finish(chunk, **values)
        if claiming.unfinished(run).exists():
            return Step()
        if chunk.work == CLOSE:
            _finish(run, now)
            return Step(finished=True)
        return Step(new=len(ScanChunk.objects.bulk_create(_next_stage(run, chunk.stage + 1))))


def divide(chunk: ScanChunk, pieces: Iterable[tuple[str, tuple[int, int, int, int]]]) -> None:
    """Put chunks in a chunk's place; what it has done stays.

    Each is what there is to do and first, last, sensors, attempts.
    """
    with transaction.atomic():
        claiming.finish(chunk, sensors=chunk.judged + len(chunk.failed))
        stage = ScanChunk.objects.filter(run=chunk.run_id, stage=chunk.stage)
        number = stage.aggregate(greatest=models.Max("number"))["greatest"]
        ScanChunk.objects.bulk_create(
            _chunk(chunk.run, chunk.stage, number + i, work, piece)
            for i, (work, piece) in enumerate(pieces, start=1)
        )


def failed_in(run: ScanRun) -> dict[int | None, str]:
    """Return the sensors that could not be judged, and why; None stands for no sensor alone."""
    rows = run.chunks.exclude(failed=[]).values_list("failed", flat=True)
    return {each["sensor"]: each["reason"] for row in rows for each in row}


def to_judge(chunk: ScanChunk) -> Keys:
    """Return the sensors that a chunk has still to judge, in order of their keys."""
    within = Q(pk__gte=chunk.first, pk__lte=chunk.last)
    found = _marked(within)
    if chunk.run.full and chunk.stage == EVERYBODY:
        found = np.union1d(found, unpacked(within))
    return np.setdiff1d(found, _failed(chunk.run))


def to_judge_together(chunk: ScanChunk) -> tuple[Keys, Keys]:
    """Return the marked sensors of a chunk of dealers, by dealer and key, and whose they are.

    Another attempt begins with those that were marked when the scan began: whom an earlier one
    has judged and marked again stands behind the one at which it ended.
    """
    anew = chunk.run.started_at if chunk.attempt > 1 else None
    sensor, dealer = together.marked(together.Span(chunk.first, chunk.last), anew=anew)
    stage = chunk.run.chunks.filter(stage=chunk.stage, work=JUDGE)
    alone = np.array(stage.values_list("last", flat=True), dtype=np.int64)  # set apart
    left = ~np.isin(sensor, np.concatenate((alone, _failed(chunk.run))))
    return sensor[left], dealer[left]


def _next_stage(run: ScanRun, stage: int) -> list[ScanChunk]:
    if run.full and stage < EVERYBODY:
        return _cut(run, stage, to_pack(), PACK) or [_chunk(run, stage, 0, PACK)]
    if run.full and stage == EVERYBODY:
        chunks = _compare(run, stage)
        # All were packed who could be: those who have none, whole or not, were never calibrated.
        chunks += _cut(run, stage, _without_pack(ALL), start=len(chunks))
    elif stage <= MOST_ROUNDS:
        chunks = _by_dealer(run, stage, np.setdiff1d(_marked(), _failed(run)))
    else:
        chunks = []
    return chunks or [_chunk(run, stage, 0, CLOSE)]


def _cut(
    run: ScanRun, stage: int, sensors: Keys, work: str = JUDGE, *, start: int = 0
) -> list[ScanChunk]:
    pieces = [
        sensors[begin : begin + JUDGE_SENSORS] for begin in range(0, len(sensors), JUDGE_SENSORS)
    ]
    return [
        _chunk(run, stage, number, work, (int(some[0]), int(some[-1]), len(some), 0))
        for number, some in enumerate(pieces, start=start)
    ]


def _compare(run: ScanRun, stage: int) -> list[ScanChunk]:
    return _spans(run, stage, COMPARE, together.spans(comparing.companies(), COMPARE_SENSORS))


def _by_dealer(run: ScanRun, stage: int, sensors: Keys) -> list[ScanChunk]:
    dealer, count = np.unique(together.by_dealer(sensors)[1], return_counts=True)
    counts = zip(dealer.tolist(), count.tolist(), strict=True)
    return _spans(run, stage, MARKED, together.spans(counts, MARKED_SENSORS))


def _spans(
    run: ScanRun, stage: int, work: str, spans: Iterable[tuple[together.Span, int]]
) -> list[ScanChunk]:
    return [
        _chunk(run, stage, number, work, (span.first, span.last, sensors, 0))
        for number, (span, sensors) in enumerate(spans)
    ]


def _chunk(
    run: ScanRun,
    stage: int,
    number: int,
    work: str,
    piece: tuple[int, int, int, int] = (0, 0, 0, 0),
) -> ScanChunk:
    first, last, sensors, attempt = piece
    return ScanChunk(
        run=run,
        stage=stage,
        number=number,
        work=work,
        first=first,
        last=last,
        sensors=sensors,
        attempt=attempt,
    )


def _marked(within: Q = ALL) -> Keys:
    rows = StaleSensor.objects.filter(within).order_by("pk").values_list("pk")
    return columns.read(rows, sensor="key")["sensor"]


def unpacked(within: Q = ALL) -> Keys:
    """Return who has no pack: never judged since packs are kept, or never calibrated."""
    return _without_pack(packing.whole(), within)


def _without_pack(such: Q, within: Q = ALL) -> Keys:
    """Sensors that have no such pack, sorted."""
    packed = PackedHistory.objects.filter(such, pk=OuterRef("pk"))
    rows = Sensor.objects.filter(within, ~Exists(packed)).order_by("pk").values_list("pk")
    return np.sort(columns.read(rows, sensor="key")["sensor"])


def to_pack(within: Q = ALL) -> Keys:
    """Return who has calibrations and no pack, or calibrations that are not in it."""
    return np.union1d(unpacked(CALIBRATED & within), histories.behind(within))


def _failed(run: ScanRun) -> Keys:
    return np.array([pk for pk in failed_in(run) if pk is not None], dtype=np.int64)


def _finish(run: ScanRun, now: datetime) -> None:
    failed = failed_in(run)
    alone = [pk for pk in failed if pk is not None]
    serials = dict(Sensor.objects.filter(pk__in=alone).values_list("pk", "serial"))
    run.failed = [
        {"sensor": serials.get(pk, str(pk)) if pk else "-", "reason": why}
        for pk, why in failed.items()
    ]
    done = run.chunks.aggregate(opened=Sum("flags_opened"), closed=Sum("flags_closed"))
    run.flags_opened, run.flags_closed = done["opened"], done["closed"]
    run.judged = max(0, _gone_through(run) - len(alone))
    run.finished_at = now
    run.save()


def _gone_through(run: ScanRun) -> int:
    """How many sensors were looked at, those that failed included.

    A full scan sees everybody in one round; whom it judges again in a later one, it has
    counted. A nightly scan counts who comes again in a later round again.
    """
    rows = run.chunks.filter(stage=EVERYBODY) if run.full else run.chunks
    counted = rows.filter(work__in=[COMPARE, MARKED, JUDGE]).values_list("judged", "failed")
    return min(run.sensors, sum(judged + len(failed) for judged, failed in counted))


# ── How far it is ─────────────────────────────────────────────────────────────
@dataclass(frozen=True)
class Progress:
    """How far a scan is: chunks and sensors of the stages that there are by now."""

    state: str
    share: float
    chunks: int
    chunks_done: int
    sensors: int
    sensors_done: int


def with_progress(runs: "models.QuerySet[ScanRun]") -> "models.QuerySet[ScanRun]":
    """Return runs with what `progress` reads, in the same query."""
    done, claimed = Q(chunks__status=_DONE), Q(chunks__status=_CLAIMED)
    return runs.annotate(
        chunks_all=Count("chunks"),
        chunks_done=Count("chunks", filter=done),
        chunks_begun=Count("chunks", filter=Q(chunks__attempt__gt=0)),
        sensors_all=Sum("chunks__sensors", default=0),
        sensors_done=Sum("chunks__sensors", filter=done, default=0)
        + Sum("chunks__judged", filter=claimed, default=0),
    )


def progress(run: ScanRun) -> Progress:
    """Return how far a run is that was read `with_progress`."""
    found = {name: getattr(run, name) for name in _PROGRESS}
    done, total = found["sensors_done"], found["sensors_all"]
    if run.finished_at:
        state, share = "finished", 1.0
    else:
        state = "running" if found["chunks_begun"] else "waiting"
        share = min(1.0, done / total) if total else 0.0
    return Progress(state, share, found["chunks_all"], found["chunks_done"], total, done)


_PROGRESS = ("chunks_all", "chunks_done", "chunks_begun", "sensors_all", "sensors_done")
