"""A worker that is killed while it checks and while it stores: the next one completes it, once."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from django.conf import settings

from calibration import receiving, verifying
from calibration.models import (
    Calibration,
    CalibrationPoint,
    ImportRowOutcome,
    ImportRun,
    Judgement,
    StaleSensor,
)
from fleet.models import Sensor
from fleet.scope import Scope
from tests.bench import importing_fleet
from tests.conftest import NOW

CALIBRATIONS, SENSORS, BATCH = 900, 180, 150
ROOT = Path(__file__).parents[2]
LEASE = 2  # seconds; long enough for a batch, short enough to wait for
# The real command, with small batches, so that there is a middle, and a short lease.
WORKER = f"""
import django; django.setup()
from datetime import timedelta
from django.conf import settings
from django.core.management import call_command
from calibration import scan, together
from calibration.importing import apart, register
from calibration.management.commands import worker
register.CHUNK = apart.CHUNK = {BATCH}
together.BATCH = together.TOGETHER = 50
settings.IMPORT_LEASE = timedelta(seconds={LEASE})
worker.UPLOADS = 0.1
worker.scan_is_due = lambda now: False  # what is looked at here are uploads
call_command("worker")
"""


@pytest.fixture(autouse=True)
def _alone(tmp_path, settings):
    settings.IMPORT_FOLDER = tmp_path / "uploads"
    settings.REDIS_URL = ""


@pytest.fixture
def start(url):
    """Return the function that starts a worker; all end with the test."""
    started = []

    def begin() -> "subprocess.Popen[bytes]":
        environment = os.environ | {
            "DATABASE_URL": url,
            "DJANGO_SETTINGS_MODULE": "fleet.config.settings",
            "SECRET_KEY": settings.SECRET_KEY,
            "IMPORT_FOLDER": str(settings.IMPORT_FOLDER),
            "REDIS_URL": "",
        }
        process = subprocess.Popen(
            [sys.executable, "-c", WORKER],
            cwd=ROOT,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        started.append(process)
        return process

    yield begin
    for process in started:
        process.kill()
        process.communicate()


def wait_for(process: "subprocess.Popen[bytes]", reached: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 120
    while not reached():
        assert process.poll() is None, process.stderr and process.stderr.read().decode()
        assert time.monotonic() < deadline
        time.sleep(0.005)


def kill_when(process: "subprocess.Popen[bytes]", reached: Callable[[], bool]) -> None:
    wait_for(process, reached)
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL


def test_killed_while_checking_and_while_storing(start, tmp_path):
    dealer = importing_fleet.register()
    file = importing_fleet.write_csv(tmp_path / "fleet.csv", CALIBRATIONS)
    kept = receiving.keep([file.read_bytes()])
    run = receiving.receive(kept, name="fleet.csv", dealer=dealer, scope=Scope.system(), now=NOW)
    told = ImportRowOutcome.objects.filter(run=run)
    checked, stored = told.filter(stage="check"), told.filter(stage="commit")

    kill_when(start(), lambda: checked.count() > 3 * BATCH)
    run.refresh_from_db()
    assert (run.status, run.attempt) == ("checking", 1)
    assert checked.count() < 3 * CALIBRATIONS
    assert not Calibration.objects.exists()
    second = start()
    wait_for(second, lambda: ImportRun.objects.get().status != "checking")
    run.refresh_from_db()
    assert (run.status, run.check_result["stored"]) == ("checked", CALIBRATIONS)
    assert sorted(checked.values_list("row", flat=True)) == list(range(2, 3 * CALIBRATIONS + 2))
    assert not Calibration.objects.exists()
    assert not Sensor.objects.exists()

    receiving.commit(run, sha256=kept.sha256, scope=Scope.system(), now=NOW)
    kill_when(second, lambda: Calibration.objects.count() >= 2 * BATCH)
    first = Calibration.objects.count()
    assert first < CALIBRATIONS
    assert stored.count() == 3 * first  # what was told is what was stored
    # The third is killed while it judges, when everything is stored.
    kill_when(start(), lambda: Judgement.objects.count() >= CALIBRATIONS // 4)
    assert Calibration.objects.count() == CALIBRATIONS
    assert StaleSensor.objects.exists()
    wait_for(start(), lambda: ImportRun.objects.get().status != "committing")
    assert_complete(run)


def assert_complete(run: ImportRun) -> None:
    """Everything is there once, judged, and counted as this import's."""
    run.refresh_from_db()
    assert run.status == "done", run.reason
    found = run.commit_result
    assert (found["records"], found["stored"], found["already_there"], found["refused"]) == (
        CALIBRATIONS, CALIBRATIONS, 0, 0,
    )  # fmt: skip
    assert found["created"] == run.check_result["created"]
    assert found["created"]["sensors"] == Sensor.objects.count() == SENSORS
    assert Calibration.objects.count() == Judgement.objects.count() == CALIBRATIONS
    assert CalibrationPoint.objects.count() == 3 * CALIBRATIONS
    rows = ImportRowOutcome.objects.filter(run=run, stage="commit")
    assert sorted(rows.values_list("row", flat=True)) == list(range(2, 3 * CALIBRATIONS + 2))
    assert not StaleSensor.objects.exclude(why="a sibling was judged anew").exists()
    assert not list(verifying.verify(now=NOW))
