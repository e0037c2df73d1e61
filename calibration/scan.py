"""The drift scan: judge what changed since the last one, or everybody; open and close flags."""

import time
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction

from calibration import due, judging, learning, overdue
from calibration.fleetwide import settle_lots
from calibration.judging import Judged
from calibration.models import ScanRun, StaleSensor
from calibration.policies import mark_stale
from calibration.records import judge_sealed
from fleet.models import Sensor

Progress = Callable[[int, int], None]
_MOST_ROUNDS = 5  # a verdict reaches its siblings in one round and comes to rest in the next


def run_scan(*, full: bool = False, now: datetime, progress: Progress | None = None) -> ScanRun:
    """Scan the fleet and return the run, with what could not be judged in `failed`.

    A sensor that cannot be judged is reported and stays marked; everybody else is judged. `now`
    is the moment the scan starts; `progress` is told (done, of how many).
    """
    clock = time.monotonic()
    run = ScanRun.objects.create(started_at=now, full=full, sensors=Sensor.objects.count())
    total, failed, seen = Judged(), dict[int, str](), set[int]()
    learnt = learning.learn(everything=full, now=now)
    whose = Sensor.objects.filter(model__in=learnt).values_list("pk", flat=True)
    mark_stale(whose, why="the fleet has taught something new about its model", now=now)
    todo = _everybody() if full else _marked()
    for _ in range(_MOST_ROUNDS):
        total += _judge_all(todo, failed, now=now, progress=progress)
        seen |= set(todo)
        todo = sorted(set(_marked()) - failed.keys())
        if not todo:
            break
    due.catch_up(now=now)
    change = total.flags + overdue.settle_overdue(now=now)
    change += settle_lots(now=now, sensors=None if full else seen)
    run.judged, run.failed = len(seen - failed.keys()), _named(failed)
    run.flags_opened, run.flags_closed = change.opened, change.closed
    run.finished_at = now + timedelta(seconds=time.monotonic() - clock)
    run.save()
    return run


def scan_result(run: ScanRun) -> dict[str, Any]:
    """Return what `scan --json` prints."""
    seconds = (run.finished_at - run.started_at).total_seconds() if run.finished_at else None
    return {
        "sensors": run.sensors,
        "judged": run.judged,
        "flags_opened": run.flags_opened,
        "flags_closed": run.flags_closed,
        "seconds": seconds if seconds is None else round(seconds, 3),
        "failed": run.failed,
    }


def _everybody() -> list[int]:
    return list(Sensor.objects.order_by("pk").values_list("pk", flat=True))


def _marked() -> list[int]:
    return list(StaleSensor.objects.order_by("sensor").values_list("sensor", flat=True))


def _judge_all(
    sensor_ids: Sequence[int], failed: dict[int, str], *, now: datetime, progress: Progress | None
) -> Judged:
    total, done = Judged(), 0
    for some in judging.batches(sensor_ids):
        total += _judge_some(some, failed, now=now)
        done += len(some)
        if progress:
            progress(done, len(sensor_ids))
    return total


def _judge_some(sensor_ids: Sequence[int], failed: dict[int, str], *, now: datetime) -> Judged:
    """Judge a batch; where it fails, halve it until the one that cannot be judged stands alone."""
    try:
        with transaction.atomic():
            judging.lock(sensor_ids)
            # The marks go first: one that is set while we judge waits for us and stays.
            StaleSensor.objects.filter(sensor_id__in=sensor_ids).delete()
            judged = judge_sealed(sensor_ids, now=now)
    except (ValueError, ArithmeticError) as wrong:
        if len(sensor_ids) == 1:
            failed[sensor_ids[0]] = str(wrong)
            return Judged()
        half = len(sensor_ids) // 2
        return _judge_some(sensor_ids[:half], failed, now=now) + _judge_some(
            sensor_ids[half:], failed, now=now
        )
    return judged


def _named(failed: dict[int, str]) -> list[dict[str, str]]:
    serials = dict(Sensor.objects.filter(pk__in=failed).values_list("pk", "serial"))
    return [{"sensor": serials.get(pk, str(pk)), "reason": why} for pk, why in failed.items()]
