"""Celery's entrances, called here; and a real worker process, where Redis and PostgreSQL are."""

import os
import secrets
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from django.conf import settings as configured
from django.core import mail
from django.db import connection
from django.utils import timezone
from kombu.exceptions import OperationalError as BrokerAway

from calibration import claiming, scan, stages, tasks
from calibration.models import ScanRun, Visit
from fleet.config.celery import app

MOMENT = datetime(2027, 2, 1, 12, 0, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[2]


def test_the_schedule_names_tasks_that_there_are():
    app.loader.import_default_modules()
    scheduled = {entry["task"] for entry in configured.CELERY_BEAT_SCHEDULE.values()}
    assert scheduled <= app.tasks.keys()
    assert {
        f"calibration.tasks.{name}"
        for name in ("nightly", "scan", "work_chunks", "plan", "remind")
    } <= (app.tasks.keys())


def test_tasks_belong_to_our_application_in_every_thread():
    with ThreadPoolExecutor() as pool:
        assert pool.submit(lambda: tasks.scan.app).result() is tasks.scan.app is app


@time_machine.travel(MOMENT, tick=False)
def test_the_nightly_task_scans_and_plans_and_may_be_repeated(world):
    tasks.nightly()
    assert ScanRun.objects.get().started_at == MOMENT
    visits = sorted(Visit.objects.values_list(), key=str)
    assert len(visits) == 4
    tasks.nightly()
    assert sorted(Visit.objects.values_list(), key=str) == visits


@time_machine.travel(MOMENT, tick=False)
def test_the_nightly_task_finishes_what_was_left(world):
    left = [scan.start(full=full, now=MOMENT - timedelta(days=1)) for full in (True, False)]
    tasks.nightly()
    assert not ScanRun.objects.filter(finished_at=None).exists()
    assert ScanRun.objects.count() == len(left) + 1


def test_helpers_are_sent_for_and_do_what_is_left(world, monkeypatch):
    """Whoever started the scan has died after the first stage; a helper does the others."""
    monkeypatch.setattr(stages, "JUDGE_SENSORS", 2)
    sent = []
    monkeypatch.setattr(tasks.work_chunks, "delay", sent.append)
    run = scan.start(full=True, now=MOMENT)
    tasks.work_chunks(run.pk)
    assert sent == [run.pk] * 3
    run.refresh_from_db()
    assert run.judged == 8
    tasks.work_chunks(run.pk)  # repeated
    tasks.work_chunks(4711)  # of a scan that is gone
    assert sent == [run.pk] * 3


def test_a_helper_leaves_alone_what_others_are_at(world):
    run = scan.start(full=True, now=timezone.now())
    assert claiming.claim(run=run, worker="another", now=timezone.now())
    tasks.work_chunks(run.pk)
    run.refresh_from_db()
    assert run.finished_at is None


def test_without_a_broker_a_scan_goes_on_without_help(world, monkeypatch, caplog):
    def away(_):
        raise BrokerAway

    monkeypatch.setattr(stages, "JUDGE_SENSORS", 2)
    monkeypatch.setattr(tasks.work_chunks, "delay", away)
    tasks.scan(full=True)
    assert ScanRun.objects.get().judged == 8
    assert "goes on without help" in caplog.text


@time_machine.travel(MOMENT, tick=False)
def test_reminding_again_sends_nothing(world):
    tasks.plan()
    tasks.remind()
    tasks.remind()
    assert len(mail.outbox) == 2


@time_machine.travel(MOMENT, tick=False)
def test_who_cannot_be_told_is_in_the_log(world, caplog):
    for dealer in world.dealers.values():
        dealer.email = "nobody"
        dealer.save()
    tasks.plan()
    tasks.remind()
    assert "no reminder to dealer NORTH: nobody to write to" in caplog.text


@pytest.mark.worker
@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_a_worker_process_scans_what_it_is_sent(tmp_path):
    if connection.vendor != "postgresql":
        pytest.skip("a worker process needs the test database on PostgreSQL (DATABASE_URL)")
    if not configured.REDIS_URL:
        pytest.skip("a worker process needs Redis (REDIS_URL)")
    queue = f"test-{secrets.token_hex(8)}"
    database = connection.settings_dict
    where = f"{database['HOST'] or 'localhost'}:{database['PORT'] or 5432}/{database['NAME']}"
    who = f"{database['USER']}:{database['PASSWORD']}".rstrip(":")
    environment = os.environ | {
        "DATABASE_URL": f"postgresql://{who}@{where}" if who else f"postgresql://{where}",
        "SECRET_KEY": "x" * 50,
        "EMAIL_URL": "dummymail://",
    }
    log = tmp_path / "worker.log"
    with (
        log.open("w") as output,
        subprocess.Popen(
            [
                sys.executable,
                "-m",
                "celery",
                "-A",
                "fleet.config.celery",
                "worker",
                "--pool=solo",
                "--loglevel=INFO",
                f"--queues={queue}",
                "--without-mingle",
                "--without-gossip",
                f"--hostname={queue}@%h",
            ],
            cwd=ROOT,
            env=environment,
            stdout=output,
            stderr=subprocess.STDOUT,
        ) as process,
    ):
        try:
            tasks.scan.apply_async(queue=queue)
            finished = wait_for_run(process)
        finally:
            process.terminate()
            process.wait(30)
            with app.connection_for_write() as broker:
                channel = broker.default_channel
                channel.queue_delete(queue)
                for kind in ("binding", "binding_permanent"):  # what kombu leaves behind
                    channel.client.delete(f"_kombu.{kind}.{queue}")
    assert finished, log.read_text()
    assert process.returncode == 0, log.read_text()
    assert ScanRun.objects.get().failed == []


def wait_for_run(process):
    """Whether a scan was finished before the worker ended, or half a minute did."""
    until = time.monotonic() + 60
    while time.monotonic() < until and process.poll() is None:
        if ScanRun.objects.filter(finished_at__isnull=False).exists():
            return True
        time.sleep(0.2)
    return False
