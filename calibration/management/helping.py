"""Further processes that work at a scan, beside the one that was asked for it."""

import multiprocessing
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from typing import Any

import django
from django.db import connections


@contextmanager
def further_workers(run_id: int, count: int) -> Iterator[list[BaseProcess]]:
    """Start processes that work at the same scan, and wait for their end.

    On Linux they are forked, and have loaded already what takes two seconds to load; the
    libraries of other systems do not all survive that.
    """
    if count:
        connections.close_all()  # what two processes say on one connection, nobody understands
    context: Any = multiprocessing.get_context("fork" if sys.platform == "linux" else "spawn")
    started = [context.Process(target=work_along, args=(run_id,)) for _ in range(count)]
    for each in started:
        each.start()
    try:
        yield started
    finally:
        for each in started:
            each.join()


def work_along(run_id: int) -> None:
    """Work at a scan to its end, in a process of its own."""
    django.setup()  # one that was not forked has loaded nothing yet
    from django.utils import timezone

    from calibration import scan
    from calibration.claiming import Clock
    from calibration.models import ScanRun
    from fleet.acting import Actor, acting

    with acting(Actor(via="command scan")):
        scan.work_off(ScanRun.objects.get(pk=run_id), clock=Clock(timezone.now()))
