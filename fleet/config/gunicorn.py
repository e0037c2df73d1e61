"""How gunicorn runs the web server: ``gunicorn --config python:fleet.config.gunicorn``.

The application is loaded once, before the workers are forked, and what it is made of is then put
aside from the garbage collector: a full collection would walk through some hundred thousand
objects that never go, in the middle of a request, and copy their pages into each worker.
"""

import gc
from typing import Any

wsgi_app = "fleet.config.wsgi:application"
preload_app = True
workers = 2


def when_ready(_server: Any) -> None:
    """Load what the first request would load, close what a fork must not share, and freeze."""
    from django.db import connections
    from django.urls import get_resolver

    get_resolver().url_patterns  # noqa: B018 - imports the addresses, and all behind them
    connections.close_all()
    gc.collect()
    gc.freeze()
