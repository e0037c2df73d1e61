"""Celery's entrances: they read the clock and call.

The work is rows, so that a lost message loses nothing and a repeated one changes nothing.
"""

import logging
from collections.abc import Callable
from typing import Any

from celery import shared_task
from django.db import OperationalError
from django.utils import timezone

from calibration.planning import plan_visits
from calibration.reminders import send_reminders
from calibration.scan import run_scan, scan_result

logger = logging.getLogger(__name__)
# Typed here, because Celery is not. A database that is away for a moment is asked again.
entrance: Callable[[Callable[..., None]], Any] = shared_task(
    autoretry_for=(OperationalError,), retry_backoff=True, max_retries=5
)


@entrance
def nightly() -> None:
    """Scan what changed, then plan the visits that follow from it."""
    scan()
    plan()


@entrance
def scan(*, full: bool = False) -> None:
    """Scan what changed since the last scan, or everybody."""
    run = run_scan(full=full, now=timezone.now())
    logger.log(logging.WARNING if run.failed else logging.INFO, "scan: %s", scan_result(run))


@entrance
def plan() -> None:
    """Plan every dealer's visits."""
    for customer, reason in plan_visits(now=timezone.now()).unplanned:
        logger.warning("no visit for customer %s: %s", customer.pk, reason)


@entrance
def remind() -> None:
    """Send the digests that are due and not yet sent."""
    for dealer, reason in send_reminders(now=timezone.now()).failed:
        logger.warning("no reminder to dealer %s: %s", dealer.code, reason)
