"""The drift scan: judge what changed since the last one, or everybody; open and close flags.

A scan is rows (`stages`) that any number of workers claim (`claiming`) and work off (`working`).
Whoever calls `run_scan` starts one or joins the one that is under way, and stays to its end.
"""

import ctypes
import logging
import os
import socket
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from calibration import claiming, stages, working
from calibration.claiming import Clock, LeaseLost
from calibration.models import ScanChunk, ScanRun
from calibration.stages import Step
from fleet.models import Sensor

logger = logging.getLogger(__name__)

Progress = Callable[[int, int], None]
HandOut = Callable[[ScanRun, int], None]
_WAIT_LONGER, _LONGEST_WAIT = 0.02, 1.0  # seconds until a worker without a chunk asks again
_WAITS_UNTIL_TOLD = 55
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3  # as in malloc.h of glibc


def start(*, full: bool, now: datetime) -> ScanRun:
    """Return the scan of that kind that is under way; start one where there is none."""
    run = _under_way(full=full)
    if run is None:
        try:
            with transaction.atomic():
                run = ScanRun.objects.create(
                    started_at=now, full=full, sensors=Sensor.objects.count()
                )
                stages.begin(run)
        except IntegrityError:
            run = _under_way(full=full)  # somebody else started it in the same moment
            if run is None:
                raise
    else:
        stages.begin(run)
    return run


def start_unless_made(since: datetime, *, now: datetime) -> ScanRun | None:
    """Start a scan of what changed, unless another one was started since a moment."""
    with transaction.atomic():
        run = start(full=False, now=now)
        # Asked after ours is in: whoever was quicker than we has ended, and shows here.
        if ScanRun.objects.filter(started_at__gte=since).exclude(pk=run.pk).exists():
            transaction.set_rollback(True)
            return None
    return run


def under_way() -> list[ScanRun]:
    """Return the scans that were started and are not finished, the oldest first."""
    runs = list(ScanRun.objects.filter(finished_at=None).order_by("pk"))
    for run in runs:
        stages.begin(run)  # one of before there were chunks has none
    return runs


def run_scan(*, full: bool = False, now: datetime, progress: Progress | None = None) -> ScanRun:
    """Scan the fleet and return the run, with what could not be judged in `failed`.

    A sensor that cannot be judged is reported and stays marked; everybody else is judged. `now`
    is the moment the scan starts; `progress` is told (done, of how many). A scan that is under
    way is joined, and one that was left unfinished is finished.
    """
    run = start(full=full, now=now)
    work_off(run, clock=Clock(now), progress=progress)
    return run


def work_off(
    run: ScanRun,
    *,
    clock: Clock,
    progress: Progress | None = None,
    hand_out: HandOut | None = None,
    stopped: Callable[[], bool] = lambda: False,
    stay: bool = True,
) -> bool:
    """Work off chunks of a scan; whether its end was reached here.

    Parameters
    ----------
    run
        The scan; its figures are those of the rows when this returns.
    clock
        Of the entrance.
    progress
        Told (sensors done, of how many) of the stages that there are.
    hand_out
        Told the run and how many chunks there are, when there are new ones: more workers may
        come.
    stopped
        Asked between chunks whether to stop.
    stay
        Whether to wait for other workers' chunks, which may be ours when they die, until the
        scan is finished.
    """
    keep_freed_memory()
    worker, told, idle = f"{socket.gethostname()}:{os.getpid()}", _teller(run, progress), 0
    ended = False
    while not ended and not stopped():
        chunk = claiming.claim(run=run, worker=worker, now=clock.now())
        if chunk is not None:
            idle = 0
            step = _work(chunk, clock, told)
            ended = step.finished
            if step.new and hand_out:
                hand_out(run, step.new)
            continue
        run.refresh_from_db()
        if run.finished_at or not stay:
            break
        idle += 1
        _wait(run, idle)
    run.refresh_from_db()
    return ended


def keep_freed_memory() -> None:
    """Have the C library keep freed memory instead of giving it back to the system each time.

    Arrays of a megabyte come and go by the thousand here; asking for their pages anew took up to
    half of the time. Where the C library knows nothing of it, nothing changes.
    """
    tune = getattr(ctypes.CDLL(None), "mallopt", None) if os.name == "posix" else None
    if tune is not None:
        tune(_M_TRIM_THRESHOLD, 512 * 2**20)
        tune(_M_MMAP_THRESHOLD, 2**30)


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


def _under_way(*, full: bool) -> ScanRun | None:
    run: ScanRun | None = ScanRun.objects.filter(full=full, finished_at=None).first()
    return run


def _work(chunk: ScanChunk, clock: Clock, told: Callable[[], None]) -> Step:
    try:
        step = working.work(chunk, clock=clock, told=told)
    except LeaseLost:
        logger.warning("%s took too long; another worker has it now", chunk)
        return Step()
    told()
    return step


def _teller(run: ScanRun, progress: Progress | None) -> Callable[[], None]:
    def tell() -> None:
        if progress:
            found = stages.progress(stages.with_progress(ScanRun.objects.all()).get(pk=run.pk))
            progress(found.sensors_done, found.sensors)

    return tell


def _wait(run: ScanRun, idle: int) -> None:
    """Wait a moment, longer each time; whoever waits for half a minute is told for whom."""
    if idle == _WAITS_UNTIL_TOLD:
        for chunk in claiming.unfinished(run).exclude(claimed_by="")[:3]:
            until = f"{chunk.lease_until:%H:%M:%S} UTC" if chunk.lease_until else "now"
            logger.warning(
                "waiting for %s: %s has it until %s at least, or is dead",
                chunk, chunk.claimed_by, until,
            )  # fmt: skip
    time.sleep(min(_WAIT_LONGER * idle, _LONGEST_WAIT))
