"""`manage.py worker`: the nightly scan and plan, and the day's reminders, without a broker.

What is still to be done is read from the rows: tonight's scan from ScanRun, today's reminders
from Digest. A worker that was away for three days does the last night's work once; two workers
share it.
"""

import logging
import signal
import threading
from argparse import ArgumentParser, ArgumentTypeError
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta
from types import FrameType
from typing import Any

from django.core.management.base import CommandError
from django.db import Error, close_old_connections, connection
from django.utils import timezone

from calibration.management.entrance import Entrance
from calibration.models import ScanRun
from calibration.planning import plan_visits
from calibration.reminders import send_reminders
from calibration.scan import run_scan, scan_result

logger = logging.getLogger(__name__)

NIGHT = time(2, 10, tzinfo=UTC)  # the hour of Celery's nightly task, too
GIVEN_UP_AFTER = timedelta(hours=2)  # a scan that has not ended by then has died
LOCK = 0x5BA7B00C  # PostgreSQL's advisory lock for the night's work; the number means nothing


def night_of(now: datetime) -> datetime:
    """Return when the latest night's work began to be due."""
    tonight = datetime.combine(now.astimezone(UTC).date(), NIGHT)
    return tonight if tonight <= now else tonight - timedelta(days=1)


def scan_is_due(now: datetime) -> bool:
    """Whether nobody has scanned since the night's hour, nor is scanning now."""
    runs = ScanRun.objects.filter(started_at__gte=night_of(now))
    done = runs.filter(finished_at__isnull=False)
    under_way = runs.filter(started_at__gt=now - GIVEN_UP_AFTER)
    return not (done.exists() or under_way.exists())


@contextmanager
def one_at_a_time() -> Iterator[bool]:
    """Yield whether the night's work is ours.

    PostgreSQL lets one worker in and frees the lock when that one dies. On SQLite two workers
    that look within the same milliseconds may both scan: they write the same rows twice.
    """
    if connection.vendor != "postgresql":
        yield True
        return
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(%s)", [LOCK])
        (ours,) = cursor.fetchone()
    try:
        yield ours
    finally:
        if ours:
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_advisory_unlock(%s)", [LOCK])


def work(now: datetime, *, plan_anyway: bool = False) -> list[str]:
    """Do what is still to be done; return a line for each thing that was.

    The plan follows the scan. A worker that has just started plans anyway: the one before it may
    have died between the two.
    """
    said = []
    with one_at_a_time() as ours:
        scanned = ours and scan_is_due(now)
        if scanned:
            said.append(f"scan: {scan_result(run_scan(now=now))}")
        if ours and (scanned or plan_anyway):
            plan = plan_visits(now=now)
            said.append(
                f"plan: {plan.planned} planned, {plan.moved} moved, "
                f"{plan.cancelled} cancelled, {len(plan.unplanned)} not in time"
            )
    told = send_reminders(now=now)
    if told.sent or told.failed:
        said.append(f"reminders: {told.sent} sent, {len(told.failed)} failed")
    said += [f"reminders: {dealer.code}: {reason}" for dealer, reason in told.failed]
    return said


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
        "Does what a Celery worker would do, from the same rows and without Redis: the nightly "
        "scan and plan, and the day's reminders. Runs until SIGTERM or Ctrl+C, finishing what it "
        "is at. Exit code 1 when --once could not do its work, 2 for a wrong call."
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
            fine = self._look(plan_anyway=True)
            while not once and not stop.wait(interval):
                close_old_connections()
                fine = self._look(plan_anyway=not fine)
        if once and not fine:
            raise CommandError("The work could not be done; see the log.")

    def _look(self, *, plan_anyway: bool) -> bool:
        """Do one round; a database or network that is away is logged and tried again."""
        now = timezone.now()
        try:
            said = work(now, plan_anyway=plan_anyway)
        except (Error, OSError):
            logger.exception("This round failed; the next one does its work.")
            return False
        for line in said:
            self.stdout.write(f"{now:%Y-%m-%d %H:%M:%S} UTC {line}")
        self.stdout.flush()
        return True
