"""Twelve posts of one record at once make one row; on both databases, by real connections.

On SQLite the test database lives in memory, where connections share one cache and its locks; so
there the same lines run against a database file, in a process of their own.
"""

import os
import subprocess
import sys
import threading
import uuid
from pathlib import Path

import pytest
from django.db import connection, connections

from tests.conftest import NOW

MANY = 12
ROOT = Path(__file__).parents[2]
ALONE = """
import django; django.setup()
from django.conf import settings; settings.ALLOWED_HOSTS = ["*"]
from django.core.management import call_command; call_command("migrate", verbosity=0)
from tests.api.test_parallel import post_at_once
from tests.conftest import NOW
post_at_once({kind!r})
"""


def path_of(kind: str) -> str:
    return "/api/v1/calibrations/" + ("batch/" if kind == "batch" else "")


def post_at_once(kind: str) -> None:
    """Post one record twelve times at once, and assert that it is there once."""
    from calibration import verifying
    from calibration.models import Calibration, CalibrationPoint
    from tests.api.conftest import calibration
    from tests.conftest import build_world

    world = build_world()
    _, token = world.users["techA"].auth_token_set.create(name="tablet")
    body = calibration(id=str(uuid.uuid4()))
    start, statuses = threading.Barrier(MANY), []

    def post() -> None:
        try:
            statuses.append(_status(kind, body, token, start))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=post) for _ in range(MANY)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=120)
    assert sorted(statuses) == [200] * (MANY - 1) + [201], statuses
    assert Calibration.objects.count() == 1
    assert CalibrationPoint.objects.count() == 2
    assert not list(verifying.verify(now=NOW))


def _status(kind: str, body: dict, token: str, start: threading.Barrier) -> int:
    from rest_framework.test import APIClient

    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    start.wait(timeout=60)
    answer = client.post(path_of(kind), [body] if kind == "batch" else body)
    return answer.json()["results"][0]["status"] if kind == "batch" else answer.status_code


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("kind", ["one", "batch"])
def test_one_record_posted_by_twelve_at_once_is_one_row(kind, tmp_path):
    if connection.vendor == "postgresql":
        post_at_once(kind)
        return
    environment = os.environ | {
        "DATABASE_URL": f"sqlite:///{tmp_path}/twelve.sqlite3",
        "DJANGO_SETTINGS_MODULE": "fleet.config.settings",
    }
    done = subprocess.run(
        [sys.executable, "-c", ALONE.format(kind=kind)],
        cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
