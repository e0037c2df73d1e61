"""gunicorn's configuration: `gunicorn fleet.config.wsgi --config python:fleet.config.serving`.

Only what a command line cannot say: the folder in which the server's processes count together,
and log lines of the same form as ours.
"""

import os
import tempfile
from typing import Any

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

FOLDER = "PROMETHEUS_MULTIPROC_DIR"
# Before any worker imports the application: the library looks at it when it is imported.
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")
os.environ.setdefault(FOLDER, tempfile.mkdtemp(prefix="spanbook-metrics-"))

try:
    settings.LOG_FORM  # noqa: B018 - reads the environment once, before any process is made
except ImproperlyConfigured as wrong:
    raise SystemExit(f"Not started: {wrong}") from None

logconfig_dict: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"ours": {"()": "fleet.config.serving.formatter"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "ours"}},
    "root": {"handlers": ["console"], "level": "WARNING"},
    "loggers": {
        "gunicorn.error": {"handlers": ["console"], "level": "INFO", "propagate": False},
        "gunicorn.access": {"handlers": ["console"], "level": "INFO", "propagate": False},
    },
}


def formatter() -> Any:
    """Return the formatter that the settings name."""
    from fleet.config import logs

    return logs.Json() if settings.LOG_FORM == "json" else logs.Line()


def child_exit(server: Any, worker: Any) -> None:
    """Forget the gauges of a process that ended; what it counted stays counted."""
    from prometheus_client import multiprocess  # not sooner: it looks for the folder at once

    multiprocess.mark_process_dead(worker.pid)  # type: ignore[no-untyped-call] # the library's
