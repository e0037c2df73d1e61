"""Telling the worker that there is something to do."""

import logging

from celery import current_app
from django.conf import settings
from kombu.exceptions import OperationalError as BrokerAway

logger = logging.getLogger(__name__)

TASK = "calibration.tasks.work_imports"


def call() -> None:
    """Send a message; one that is lost loses nothing, because the row stays.

    Without a broker `manage.py worker`, or the demo itself, looks for uploads.
    """
    if not settings.REDIS_URL:
        return
    try:
        current_app.send_task(TASK)
    except BrokerAway:
        logger.warning("the broker does not answer; uploads wait for the worker's next look")
