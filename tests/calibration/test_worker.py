"""The worker without a broker: does once what the rows say is still to be done."""

import os
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from django.core import mail
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import OperationalError, connection

from calibration import claiming, scan
from calibration.management.commands import worker
from calibration.models import Digest, ScanRun, Visit
from tests.conftest import build_world
from tests.side_by_side import at_once

EVENING = datetime(2027, 2, 1, 12, 0, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[2]


def once():
    call_command("worker", once=True, verbosity=0)


# ── What is still to be done ──────────────────────────────────────────────────
@pytest.mark.parametrize(
    ("now", "night"),
    [
        (datetime(2027, 2, 1, 2, 10, tzinfo=UTC), datetime(2027, 2, 1, 2, 10, tzinfo=UTC)),
        (datetime(2027, 2, 1, 2, 9, tzinfo=UTC), datetime(2027, 1, 31, 2, 10, tzinfo=UTC)),
        (datetime(2028, 3, 1, 1, 0, tzinfo=UTC), datetime(2028, 2, 29, 2, 10, tzinfo=UTC)),
    ],
)
def test_the_latest_night(now, night):
    assert worker.night_of(now) == night


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("started", "finished", "due"),
    [
        (None, None, True),
        (EVENING - timedelta(hours=9), True, False),
        (EVENING - timedelta(hours=10), True, True),  # before tonight's hour
        (EVENING - timedelta(days=3), True, True),  # down for three days
        (EVENING - timedelta(hours=1), False, False),  # somebody is at it
        (EVENING - timedelta(hours=3), False, False),  # and is resumed
        (EVENING + timedelta(hours=1), True, False),  # the clock was set back
    ],
)
def test_a_scan_is_due_until_it_was_made(started, finished, due):
    if started:
        ScanRun.objects.create(started_at=started, finished_at=started if finished else None)
    assert worker.scan_is_due(EVENING) is due


# ── Doing it ──────────────────────────────────────────────────────────────────
@time_machine.travel(EVENING, tick=False)
def test_a_round_scans_plans_and_reminds_and_the_next_does_nothing(world):
    once()
    assert ScanRun.objects.get().started_at == EVENING
    assert Visit.objects.count() == 4
    assert len(mail.outbox) == Digest.objects.count() == 2
    once()
    assert ScanRun.objects.count() == 1
    assert (Visit.objects.count(), len(mail.outbox)) == (4, 2)


def test_away_for_three_days_the_work_is_done_once(world):
    with time_machine.travel(EVENING, tick=False):
        once()
    with time_machine.travel(EVENING + timedelta(days=4), tick=False):
        once()
        once()
    assert ScanRun.objects.count() == 2


@time_machine.travel(EVENING, tick=False)
def test_a_worker_that_died_before_the_plan_is_made_up_for(world):
    ScanRun.objects.create(started_at=EVENING, finished_at=EVENING)
    once()
    assert Visit.objects.count() == 4


@time_machine.travel(EVENING, tick=False)
def test_a_scan_that_was_left_is_finished_and_tonights_is_made(world):
    yesterday = EVENING - timedelta(days=1)
    left = ScanRun.objects.create(started_at=yesterday, full=True, sensors=8)
    dead = scan.start(full=False, now=yesterday)
    assert claiming.claim(run=dead, worker="dead", now=yesterday).attempt == 1
    once()
    assert not ScanRun.objects.filter(finished_at=None).exists()
    assert set(ScanRun.objects.values_list("started_at", "judged", "full")) == {
        (yesterday, 8, True), (dead.started_at, 0, False), (EVENING, 0, False),
    }  # fmt: skip
    assert ScanRun.objects.get(pk=left.pk).finished_at >= EVENING


def test_a_worker_that_is_told_to_stop_leaves_the_rest_to_the_next(world):
    assert worker.work(EVENING, stopped=lambda: True) == []
    assert ScanRun.objects.get().finished_at is None
    assert worker.work(EVENING)[0].startswith("scan: ")


@pytest.mark.django_db
def test_a_round_that_fails_ends_once_with_1(monkeypatch, caplog):
    def away(*_, **__):
        raise OperationalError("the database is away")

    monkeypatch.setattr(worker.scan, "work_off", away)
    with pytest.raises(CommandError) as failed:
        once()
    assert failed.value.returncode == 1
    assert "the database is away" in caplog.text


@pytest.mark.django_db
def test_a_round_that_fails_is_followed_by_the_next(monkeypatch, caplog):
    rounds = []

    def work(now, *, plan_anyway, stopped):
        rounds.append(plan_anyway)
        if len(rounds) == 2:
            raise OperationalError("the database is away")
        if len(rounds) == 4:
            os.kill(os.getpid(), signal.SIGTERM)
        return []

    monkeypatch.setattr(worker, "work", work)
    monkeypatch.setattr(worker, "close_old_connections", lambda: None)  # it is the test's own
    before = signal.getsignal(signal.SIGTERM)
    call_command("worker", interval=0.01)
    assert rounds == [True, False, True, False]
    assert signal.getsignal(signal.SIGTERM) is before


@pytest.mark.parametrize("interval", ["0", "nan", "soon", "86401"])
def test_a_wrong_interval_is_a_wrong_call(interval):
    with pytest.raises(CommandError, match="not an interval; accepted: 1 to 86400"):
        call_command("worker", f"--interval={interval}")


# ── As a process ──────────────────────────────────────────────────────────────
@pytest.fixture
def environment(migrated_file, tmp_path):
    """Return the environment of a desk of its own: an empty SQLite database."""
    database = shutil.copyfile(migrated_file, tmp_path / "desk.sqlite3")
    values = os.environ | {
        "DATABASE_URL": f"sqlite:///{database}",
        "SECRET_KEY": "x" * 50,
        "EMAIL_URL": "dummymail://",
        "PYTHONWARNINGS": "error",
    }
    values.pop("REDIS_URL", None)
    return values


def manage(environment, *arguments):
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env=environment,
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
    )


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_the_worker_cleanly(environment, number):
    with subprocess.Popen(
        [sys.executable, "manage.py", "worker", "--interval=60"],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        lines = [process.stdout.readline(), process.stdout.readline()]
        begun = time.monotonic()
        process.send_signal(number)
        _, errors = process.communicate(timeout=30)
    assert "scan: " in lines[0]
    assert "plan: " in lines[1]
    assert (process.returncode, errors) == (0, "")
    assert time.monotonic() - begun < 20


def test_from_cron_on_an_empty_desk(environment):
    first = manage(environment, "worker", "--once")
    assert (first.returncode, first.stderr) == (0, "")
    assert "scan: {'sensors': 0" in first.stdout
    again = manage(environment, "worker", "--once")
    assert "scan" not in again.stdout
    assert manage(environment, "worker", "--interval=0").returncode == 2


def test_two_from_cron_at_once_scan_once(environment):
    call = [sys.executable, "manage.py", "worker", "--once"]
    pipe = subprocess.PIPE
    both = [
        subprocess.Popen(call, cwd=ROOT, env=environment, stdout=pipe, stderr=pipe, text=True)
        for _ in range(2)
    ]
    said = [process.communicate(timeout=120) for process in both]
    assert [process.returncode for process in both] == [0, 0], said
    assert sum(out.count("scan: ") for out, _ in said) == 1


# ── Two at once ───────────────────────────────────────────────────────────────
@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_two_workers_scan_once():
    if connection.vendor != "postgresql":
        pytest.skip("threads with a database of their own each need PostgreSQL (DATABASE_URL)")
    build_world()
    said = at_once(2, lambda _: worker.work(EVENING, plan_anyway=True))
    assert ScanRun.objects.count() == 1
    assert Visit.objects.count() == 4
    assert len(mail.outbox) == Digest.objects.count() == 2
    assert sum(line.startswith("scan: ") for lines in said for line in lines) == 1
