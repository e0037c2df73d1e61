"""gunicorn's configuration: `gunicorn fleet.config.wsgi --config python:fleet.config.serving`.

What a command line cannot say: the folder in which the server's processes count together, and log
lines of the same form as ours. The application is loaded once, before the workers are forked, and
what it is made of is then put aside from the garbage collector: a full collection would walk
through some hundred thousand objects that never go, in the middle of a request, and copy their
pages into each worker.
"""

import gc
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

# A great answer is a hundred thousand objects, of which none is part of a ring: Python would look
# through them a hundred times while they are made.
COLLECTING = (20_000, 10, 10)

preload_app = True
workers = 2
logconfig_dict: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"ours": {"()": "fleet.config.serving.formatter"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "ours"}},
    "root": {"handlers": ["console"], "level": "WARNING"},
    "loggers": {
        "gunicorn.error": {"handlers": ["console"], "level": "INFO", "propagate": False},
        # Our own line says more of each request: `fleet.config.edge`.
        "gunicorn.access": {"handlers": [], "level": "WARNING", "propagate": False},
    },
}


def formatter() -> Any:
    """Return the formatter that the settings name."""
    from fleet.config import logs

    return logs.Json() if settings.LOG_FORM == "json" else logs.Line()


def when_ready(_server: Any) -> None:
    """Load what the first request would load, close what a fork must not share, and freeze."""
    from django.db import connections
    from django.urls import get_resolver
    from scipy import special  # noqa: F401 - the first judgement would wait for it

    get_resolver().url_patterns  # noqa: B018 - imports the addresses, and all behind them
    connections.close_all()
    gc.collect()
    gc.freeze()
    gc.set_threshold(*COLLECTING)


def child_exit(server: Any, worker: Any) -> None:
    """Forget the gauges of a process that ended; what it counted stays counted."""
    from prometheus_client import multiprocess  # not sooner: it looks for the folder at once

    multiprocess.mark_process_dead(worker.pid)  # type: ignore[no-untyped-call] # the library's
