"""The Celery application: `celery -A fleet.config.celery worker` and `... beat`.

A request's id goes along in a message's headers, so that the worker's lines carry it, too.
"""

import logging.config
import os
from contextlib import AbstractContextManager
from typing import Any

from celery import Celery, signals
from django.conf import settings

from fleet import trace

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")

app = Celery("spanbook")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.set_default()  # for every thread: a web server's threads send tasks, too
app.autodiscover_tasks(["calibration"])

HEADER = "spanbook_request_id"
_following: dict[str, AbstractContextManager[str]] = {}


def _log_as_we_do(**_: Any) -> None:
    """Log in our own form; Celery then sets up nothing."""
    logging.config.dictConfig(
        {
            **settings.LOGGING,
            "loggers": {**settings.LOGGING["loggers"], "celery": {"level": "INFO"}},
        }
    )


def _send_along(headers: dict[str, Any] | None = None, **_: Any) -> None:
    if headers is not None and trace.current():
        headers[HEADER] = trace.current()


def _take_up(task_id: str, task: Any, **_: Any) -> None:
    if task.request.is_eager or task.request.called_directly:
        return  # it runs inside whatever called it
    following = trace.following(getattr(task.request, HEADER, None) or task_id)
    following.__enter__()
    _following[task_id] = following


def _put_down(task_id: str, **_: Any) -> None:
    following = _following.pop(task_id, None)
    if following is not None:
        following.__exit__(None, None, None)


signals.setup_logging.connect(_log_as_we_do)
signals.before_task_publish.connect(_send_along)
signals.task_prerun.connect(_take_up)
signals.task_postrun.connect(_put_down)
