"""`manage.py worker`: uploads, the nightly scan and plan, reminders, webhooks; without a broker.

What is still to be done is read from the rows: scans and their chunks from ScanRun and ScanChunk,
today's reminders from Digest. A worker that was away for three days does the last night's work
once; many workers share it, chunk by chunk, and finish what one of them has left.
"""

import logging
import signal
import threading
from argparse import ArgumentParser, ArgumentTypeError
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta
from time import monotonic
from types import FrameType
from typing import Any

from django.core.management.base import CommandError
from django.db import Error, close_old_connections
from django.utils import timezone

from calibration import events, receiving, scan
from calibration.claiming import Clock
from calibration.management.entrance import Entrance
from calibration.models import ScanRun
from calibration.planning import plan_visits
from calibration.reminders import send_reminders
from calibration.webhooks import tell_addresses
from fleet import guessing

logger = logging.getLogger(__name__)

UPLOADS = 2.0  # seconds between two looks for uploaded files
NIGHT = time(2, 10, tzinfo=UTC)  # the hour of Celery's nightly task, too


def night_of(now: datetime) -> datetime:
    """Return when the latest night's work began to be due."""
    tonight = datetime.combine(now.astimezone(UTC).date(), NIGHT)
    return tonight if tonight <= now else tonight - timedelta(days=1)


def scan_is_due(now: datetime) -> bool:
    """Whether no scan was started since the night's hour."""
    return not ScanRun.objects.filter(started_at__gte=night_of(now)).exists()


def scans_to_work_off(now: datetime) -> Iterator[ScanRun]:
    """Yield the scans that were left unfinished or that others are at, then tonight's."""
    yield from scan.under_way()
    if scan_is_due(now):
        run = scan.start_unless_made(night_of(now), now=now)
        if run is not None:
            yield run


def work(
    now: datetime, *, plan_anyway: bool = False, stopped: Callable[[], bool] = lambda: False
) -> list[str]:
    """Do what is still to be done; return a line for each thing that was.

    Of many workers at one scan, the one that reaches its end says so, and plans. A worker that
    has just started plans anyway: the one before it may have died between the two.
    """
    clock = Clock(now)
    imports = receive(now, stopped=stopped)
    said = [
        f"scan: {scan.scan_result(run)}"
        for run in scans_to_work_off(now)
        if scan.work_off(run, clock=clock, stopped=stopped)
    ]
    if said or plan_anyway:
        plan = plan_visits(now=now)
        said.append(
            f"plan: {plan.planned} planned, {plan.moved} moved, "
            f"{plan.cancelled} cancelled, {len(plan.unplanned)} not in time"
        )
        events.forget_old(now=now)
        guessing.forget_old(now=now)
    said = imports + said
    webhooks = tell_addresses(now=clock.now())  # what came before may have taken long
    if webhooks.sent or webhooks.failed:
        said.append(f"webhooks: {webhooks.sent} told, {len(webhooks.failed)} failed")
    receiving.remove_old(now=now)
    told = send_reminders(now=clock.now())
    if told.sent or told.notes or told.failed:
        notes = f"{told.notes} notes, " if told.notes else ""
        said.append(f"reminders: {told.sent} sent, {notes}{len(told.failed)} failed")
    said += [f"reminders: {dealer.code}: {reason}" for dealer, reason in told.failed]
    return said


def receive(now: datetime, *, stopped: Callable[[], bool] = lambda: False) -> list[str]:
    """Check and store the files that were uploaded; return a line for each."""
    return receiving.work_off(clock=Clock(now), stopped=stopped)


@contextmanager
def stopped_by_signals() -> Iterator[threading.Event]:
    """Yield an event that SIGTERM and SIGINT set; a second signal ends the process at once."""
    stop = threading.Event()
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}

    def on_signal(number: int, _: FrameType | None) -> None:
        stop.set()
        signal.signal(number, signal.SIG_DFL)

    for number in before:
        signal.signal(number, on_signal)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def seconds(text: str) -> float:
    """Return an interval of at least one second."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 1 <= value <= 86_400:
        raise ArgumentTypeError(f"{text!r} is not an interval; accepted: 1 to 86400 seconds")
    return value


class Command(Entrance):
    help = (
        "Does what a Celery worker would do, from the same rows and without Redis: uploaded "
        "record files, the nightly scan and plan, and the day's reminders. Runs until SIGTERM or "
        "Ctrl+C, finishing what it is at. Exit code 1 when --once could not do its work, 2 for a "
        "wrong call."
    )
    example = """example:
  python manage.py worker                  look every minute, until stopped
  python manage.py worker --interval 300   look every five minutes
  python manage.py worker --once           do what is to be done now (from cron)
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--interval", type=seconds, default=60.0, metavar="SECONDS", help="default: 60"
        )
        parser.add_argument("--once", action="store_true", help="look once and end")

    def handle(self, *, interval: float, once: bool, **options: Any) -> None:
        with stopped_by_signals() as stop:
            fine = self._look(plan_anyway=True, stopped=stop.is_set)
            while not once and self._wait(interval, stop):
                fine = self._look(plan_anyway=not fine, stopped=stop.is_set)
        if once and not fine:
            raise CommandError("The work could not be done; see the log.")

    def _wait(self, interval: float, stop: threading.Event) -> bool:
        """Wait for the next round, looking for uploads meanwhile; False when stopped."""
        until = monotonic() + interval
        while (left := until - monotonic()) > 0:
            if stop.wait(min(left, UPLOADS)):
                return False
            close_old_connections()
            now = timezone.now()
            try:
                said = receive(now, stopped=stop.is_set)
            except (Error, OSError):
                logger.exception("Uploads could not be looked at; they are in a moment.")
                continue
            self._say(now, said)
        return not stop.is_set()

    def _look(self, *, plan_anyway: bool, stopped: Callable[[], bool]) -> bool:
        """Do one round; a database or network that is away is logged and tried again."""
        now = timezone.now()
        try:
            said = work(now, plan_anyway=plan_anyway, stopped=stopped)
        except (Error, OSError):
            logger.exception("This round failed; the next one does its work.")
            return False
        self._say(now, said)
        return True

    def _say(self, now: datetime, said: list[str]) -> None:
        for line in said:
            self.stdout.write(f"{now:%Y-%m-%d %H:%M:%S} UTC {line}")
        self.stdout.flush()
