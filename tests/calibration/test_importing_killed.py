"""`load_records` killed in the middle, twice, and called again: what was missing is added."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from django.conf import settings

from calibration import verifying
from calibration.importing import load_file
from calibration.models import Calibration, CalibrationPoint, Fit, Judgement, StaleSensor
from fleet.models import Installation, Machine, Sensor
from fleet.scope import Scope
from tests.bench import importing_fleet
from tests.conftest import NOW

CALIBRATIONS, SENSORS, ROWS = 1500, 300, 250  # ROWS: in one transaction
ROOT = Path(__file__).parents[2]
# Small batches, so that there is a middle.
LOAD = f"""
import sys
import django; django.setup()
from calibration import together
from calibration.importing import register
register.CHUNK, together.BATCH, together.TOGETHER = {ROWS}, 50, 50
from django.core.management import call_command
call_command("load_records", sys.argv[1], "--dealer", "{importing_fleet.DEALER}")
"""


def start(url: str, file: Path) -> "subprocess.Popen[bytes]":
    environment = os.environ | {
        "DATABASE_URL": url,
        "DJANGO_SETTINGS_MODULE": "fleet.config.settings",
        "SECRET_KEY": settings.SECRET_KEY,
    }
    return subprocess.Popen(
        [sys.executable, "-c", LOAD, str(file)],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def kill_when(process: "subprocess.Popen[bytes]", reached: Callable[[], bool]) -> None:
    """Kill a process as soon as something is so; it must still be running then."""
    deadline = time.monotonic() + 120
    with process:
        while not reached():
            assert process.poll() is None, process.stderr and process.stderr.read().decode()
            assert time.monotonic() < deadline
            time.sleep(0.005)
        process.send_signal(signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL


def test_a_load_that_was_killed_twice_is_completed_by_the_third(url, tmp_path):
    importing_fleet.register()
    file = importing_fleet.write_csv(tmp_path / "fleet.csv", CALIBRATIONS)

    kill_when(start(url, file), lambda: Calibration.objects.count() >= 2 * ROWS)
    first = Calibration.objects.count()
    assert first < CALIBRATIONS
    assert first % ROWS == 0  # whole batches, and nothing of the one that was in work
    assert CalibrationPoint.objects.count() == 3 * first
    assert Judgement.objects.count() == 0
    assert StaleSensor.objects.count() == Calibration.objects.values("sensor").distinct().count()

    # The second is killed while it judges, when everything is stored.
    kill_when(start(url, file), lambda: Judgement.objects.count() >= CALIBRATIONS // 4)
    assert Calibration.objects.count() == CALIBRATIONS
    assert 0 < Judgement.objects.count() < CALIBRATIONS
    assert StaleSensor.objects.exists()

    third = start(url, file)
    out, err = third.communicate(timeout=120)
    assert third.returncode == 0, err.decode()
    assert f"{CALIBRATIONS} records: 0 stored, {CALIBRATIONS} already there, 0 refused" in (
        out.decode()
    )
    assert_complete()
    assert again(file) == (0, CALIBRATIONS, 0)


def assert_complete() -> None:
    """Everything is there once, sealed, fitted, judged, and nothing is left to do."""
    assert (Sensor.objects.count(), Installation.objects.count()) == (SENSORS, SENSORS)
    assert Machine.objects.count() == -(-SENSORS // importing_fleet.ON_MACHINE)
    assert CalibrationPoint.objects.count() == 3 * CALIBRATIONS
    assert Calibration.objects.count() == CALIBRATIONS
    assert Fit.objects.count() == Judgement.objects.count() == CALIBRATIONS
    assert not StaleSensor.objects.exclude(why="a sibling was judged anew").exists()
    assert not list(verifying.verify(now=NOW))
    longest = Calibration.objects.order_by("-chain_number").first()
    assert longest is not None
    assert longest.chain_number == importing_fleet.SEASONS


def again(file: Path) -> tuple[int, int, int]:
    with file.open("rb") as content:
        result = load_file(
            content,
            dealer=importing_fleet.register(make=False),
            scope=Scope.system(),
            now=NOW,
        )
    return result.stored, result.already_there, result.refused
