"""Twelve posts of one record at once make one row; on both databases, by real connections.

On SQLite the test database lives in memory, where connections share one cache and its locks; so
there the same lines run against a database file, in a process of their own.
"""

import os
import shutil
import subprocess
import sys
import uuid
from pathlib import Path

import pytest
from django.db import connection
from rest_framework.test import APIClient

from tests.conftest import NOW
from tests.side_by_side import at_once

MANY = 12
ROOT = Path(__file__).parents[2]
ALONE = """
import django; django.setup()
from django.conf import settings; settings.ALLOWED_HOSTS = ["*"]
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
    statuses = at_once(MANY, lambda _: _status(kind, body, token))
    assert sorted(statuses) == [200] * (MANY - 1) + [201], statuses
    assert Calibration.objects.count() == 1
    assert CalibrationPoint.objects.count() == 2
    assert not list(verifying.verify(now=NOW))


def _status(kind: str, body: dict, token: str) -> int:
    from rest_framework.test import APIClient

    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    answer = client.post(path_of(kind), [body] if kind == "batch" else body)
    return answer.json()["results"][0]["status"] if kind == "batch" else answer.status_code


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("kind", ["one", "batch"])
def test_one_record_posted_by_twelve_at_once_is_one_row(kind, request, tmp_path):
    if connection.vendor == "postgresql":
        post_at_once(kind)
        return
    place = tmp_path / "twelve.sqlite3"
    shutil.copyfile(request.getfixturevalue("migrated_file"), place)
    environment = os.environ | {
        "DATABASE_URL": f"sqlite:///{place}",
        "DJANGO_SETTINGS_MODULE": "fleet.config.settings",
    }
    done = subprocess.run(
        [sys.executable, "-c", ALONE.format(kind=kind)],
        cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]


@pytest.mark.django_db(transaction=True)
def test_a_seat_and_its_sensor_are_edited_at_once(world):
    """Whoever holds a sensor marks it after that: in the other order two wait for one another."""
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has one writer at a time")
    _, token = world.users["managerA"].auth_token_set.create(name="desk")
    seat = f"/api/v1/installations/{world.installations['A1'].pk}/"
    sensor = f"/api/v1/sensors/{world.sensors['A1'].pk}/"

    def edit(number: int) -> list[int]:
        client = APIClient()
        client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
        change = (seat, {"position": f"row {number}"}), (sensor, {"lot": f"L{number}"})
        where, values = change[number % 2]
        held = {"If-Match": "*"}
        return [client.patch(where, values, "json", headers=held).status_code for _ in range(3)]

    assert at_once(8, edit) == [[200] * 3] * 8
