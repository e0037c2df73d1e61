"""Celery's entrances: they read the clock and call.

The work is rows, so that a lost message loses nothing and a repeated one changes nothing.
"""

import logging
from collections.abc import Callable
from typing import Any

from celery import shared_task
from django.db import OperationalError
from django.utils import timezone
from kombu.exceptions import OperationalError as BrokerAway

from calibration import events, receiving
from calibration.claiming import Clock
from calibration.models import ScanRun
from calibration.planning import plan_visits
from calibration.reminders import send_reminders
from calibration.scan import scan_result, start, under_way, work_off
from calibration.webhooks import tell_addresses
from fleet import guessing

logger = logging.getLogger(__name__)

MOST_WORKERS = 8  # on one scan
# Typed here, because Celery is not. A database that is away for a moment is asked again.
entrance: Callable[[Callable[..., None]], Any] = shared_task(
    autoretry_for=(OperationalError,), retry_backoff=True, max_retries=5
)


@entrance
def nightly() -> None:
    """Finish the scans that were left, scan what changed, then plan the visits that follow."""
    for run in under_way():
        _to_its_end(run)
    scan()
    plan()


@entrance
def scan(*, full: bool = False) -> None:
    """Scan what changed since the last scan, or everybody; more workers are called to help."""
    _to_its_end(start(full=full, now=timezone.now()))


@entrance
def work_chunks(run_id: int) -> None:
    """Help with a scan while it has chunks that nobody works at."""
    run = ScanRun.objects.filter(pk=run_id).first()
    if run is not None and work_off(run, clock=_clock(), hand_out=_call_helpers, stay=False):
        _log(run)


@entrance
def work_imports() -> None:
    """Check and store the record files that were uploaded; remove those that are old."""
    for line in receiving.work_off(clock=_clock()):
        logger.info(line)
    receiving.remove_old(now=timezone.now())


def _to_its_end(run: ScanRun) -> None:
    if work_off(run, clock=_clock(), hand_out=_call_helpers):
        _log(run)


def _clock() -> Clock:
    return Clock(timezone.now())


def _log(run: ScanRun) -> None:
    logger.log(logging.WARNING if run.failed else logging.INFO, "scan: %s", scan_result(run))


def _call_helpers(run: ScanRun, chunks: int) -> None:
    """Send one message for each chunk that we do not do ourselves; lost, they lose nothing."""
    try:
        for _ in range(min(chunks, MOST_WORKERS) - 1):
            work_chunks.delay(run.pk)
    except BrokerAway:
        logger.warning("the broker does not answer; scan %s goes on without help", run.pk)


@entrance
def plan() -> None:
    """Plan every dealer's visits."""
    for customer, reason in plan_visits(now=timezone.now()).unplanned:
        logger.warning("no visit for customer %s: %s", customer.pk, reason)


@entrance
def tell() -> None:
    """Tell the addresses that dealers named what happened."""
    for row, reason in tell_addresses(now=timezone.now()).failed:
        logger.warning("webhook %s: %s", row.pk, reason)


@entrance
def forget() -> None:
    """Remove events, attempts to sign in and sessions that are older than what is kept."""
    events.forget_old(now=timezone.now())
    guessing.forget_old(now=timezone.now())


@entrance
def remind() -> None:
    """Send the digests that are due and not yet sent."""
    for dealer, reason in send_reminders(now=timezone.now()).failed:
        logger.warning("no reminder to dealer %s: %s", dealer.code, reason)
