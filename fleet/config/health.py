"""Whether this process lives, and whether it can do its work. No sign-in, and no details."""

import logging
from collections.abc import Callable, Iterator

import redis
from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.loader import MigrationLoader
from django.http import HttpRequest, HttpResponse
from django.utils.module_loading import import_string

logger = logging.getLogger(__name__)

SEALS = "calibration.apps.check_seals"
PATIENCE = 2.0  # seconds that a probe waits for the broker


def alive(_request: HttpRequest) -> HttpResponse:
    """Answer that the process answers."""
    return HttpResponse("alive\n", content_type="text/plain")


def ready(_request: HttpRequest) -> HttpResponse:
    """Answer whether everything that the work rests on is there; the log says what is not."""
    missing = list(troubles())
    for trouble in missing:
        logger.warning("not ready: %s", trouble)
    said, status = ("not ready\n", 503) if missing else ("ready\n", 200)
    return HttpResponse(said, status=status, content_type="text/plain")


def troubles() -> Iterator[str]:
    """Yield what stands in the way, until something does that the rest needs."""
    checks: tuple[Callable[[], Iterator[str]], ...] = (_database, _seals, _broker)
    for check in checks:
        found = list(check())
        yield from found
        if found and check is _database:
            return


def _database() -> Iterator[str]:
    try:
        loader = MigrationLoader(connection)
        waiting = set(loader.graph.leaf_nodes()) - set(loader.applied_migrations or ())
    except DatabaseError as away:
        connection.close()  # a connection that broke is not asked again
        yield f"the database does not answer: {away}"
        return
    if waiting:
        yield f"migrations wait: {', '.join(f'{app}.{name}' for app, name in sorted(waiting))}"


def _seals() -> Iterator[str]:
    yield from (str(found.msg) for found in import_string(SEALS)(databases=["default"]))


def _broker() -> Iterator[str]:
    if not settings.REDIS_URL:
        return
    try:
        with redis.Redis.from_url(
            settings.REDIS_URL, socket_timeout=PATIENCE, socket_connect_timeout=PATIENCE
        ) as broker:
            broker.ping()
    except redis.RedisError as away:
        yield f"the broker does not answer: {away}"
