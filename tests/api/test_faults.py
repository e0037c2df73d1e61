"""What the API promises when things break: killed workers, a full disk, a database away."""

import os
import shutil
import subprocess
import time
import uuid
from pathlib import Path

import pytest
from django.db import InterfaceError, OperationalError

from api import errors
from tests import databases
from tests.bench import faults
from tests.databases import on_server

KILLS = int(os.environ.get("SPANBOOK_FAULTS", "10"))
KEPT = {
    "missing": 0, "answered_and_missing": 0, "twice": 0, "half": 0, "unexpected": 0, "findings": 0,
}  # fmt: skip


@pytest.fixture(scope="module")
def filled(migrated, tmp_path_factory):
    """Return the address of a database with two dealers, to be copied, and a token."""
    url = databases.url_of("faults_filled", tmp_path_factory.mktemp("filled"))
    token = faults.prepared(url, migrated)
    if not on_server():
        databases.query(url, "PRAGMA wal_checkpoint(TRUNCATE)")
    yield url, token
    databases.drop(url)


@pytest.fixture
def url(tmp_path):
    made = databases.url_of("faults", tmp_path)
    yield made
    databases.drop(made)


@pytest.fixture
def token(filled, url):
    """Fill the database; return a technician's token."""
    template, token = filled
    databases.make(url, template)
    return token


def test_workers_killed_in_the_middle_of_posts_break_no_promise(url, token):
    figures = faults.run(url, token, KILLS, seed=os.getpid())
    assert figures["kills"] == KILLS
    assert figures["answered_201"] >= KILLS
    assert figures["unanswered"] > 0  # some post was in the middle
    assert {name: figures[name] for name in KEPT} == KEPT


# ── A full disk ───────────────────────────────────────────────────────────────
FULL = """
import django; django.setup()
import json
from django.db import connection
from rest_framework.test import APIClient
from calibration.models import Calibration, CalibrationPoint, Judgement
from tests.bench.faults import body
from fleet.models import User
from django.conf import settings
settings.ALLOWED_HOSTS = ["*"]
client = APIClient()
_, token = User.objects.get(username="techA").auth_token_set.create(name="full")
client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
with connection.cursor() as cursor:
    cursor.execute("PRAGMA page_count")
    pages = cursor.fetchone()[0]
    cursor.execute(f"PRAGMA max_page_count = {pages + 6}")
told = []
for day in range(1, 400):
    record = body("S-A1", day)
    answer = client.post("/api/v1/calibrations/", record)
    told.append(answer.status_code)
    if answer.status_code != 201:
        break
problem = answer.json()
count = Calibration.objects.count()
whole = (CalibrationPoint.objects.count() == 2 * count, Judgement.objects.count() == count)
with connection.cursor() as cursor:
    cursor.execute("PRAGMA max_page_count = 1073741823")
again = client.post("/api/v1/calibrations/", record)
print(json.dumps([told.count(201), told[-1], problem, answer["Content-Type"], count, whole,
                  again.status_code, Calibration.objects.count()]))
"""


@pytest.mark.skipif(on_server(), reason="a limit that SQLite can set for itself")
def test_a_full_disk_is_said_and_stores_nothing_by_halves(url, token):
    import json

    done = databases.run(url, "-c", FULL)
    assert done.returncode == 0, done.stderr
    stored, last, problem, kind, count, whole, again, after = json.loads(
        done.stdout.splitlines()[-1]
    )
    assert stored > 0
    assert (last, problem["code"], kind) == (507, "no_room", "application/problem+json")
    assert "nothing was stored" in problem["detail"]
    assert count == stored
    assert whole == [True, True]
    assert (again, after) == (201, count + 1)  # as soon as there is room, without a restart
    assert "the database has no room" in done.stderr  # whoever runs it reads it in the log
    assert databases.manage(url, "verify").returncode == 0


# ── PostgreSQL away ───────────────────────────────────────────────────────────
@pytest.fixture
def cluster(tmp_path):
    """Make a PostgreSQL server of our own, that may be stopped without disturbing anybody."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not found or os.geteuid() != 0:
        pytest.skip("needs PostgreSQL's server programs, and root to run them as postgres")
    programs, port = found[-1].parent, faults.free_port()
    home = Path(f"/tmp/spanbook-cluster-{uuid.uuid4().hex[:8]}")
    home.mkdir(mode=0o700)
    shutil.chown(home, "postgres", "postgres")

    def call(program, *arguments, check=True):
        # A session of its own: the server must share neither our terminal nor our pipes.
        subprocess.run(
            [str(programs / program), *arguments], cwd=home, check=check, timeout=120,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True, user="postgres", group="postgres", extra_groups=[],
        )  # fmt: skip

    def control(*arguments, check=True):
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={home}"
        call("pg_ctl", "-D", str(home / "data"), "-w", "-o", options,
             "-l", str(home / "log"), *arguments, check=check)  # fmt: skip

    call("initdb", "-D", str(home / "data"), "-A", "trust", "-U", "root", "--no-sync")
    control("start")
    try:
        yield f"postgresql://root@127.0.0.1:{port}", control
    finally:
        control("-m", "immediate", "stop", check=False)
        shutil.rmtree(home)


def more(clients, count=3):
    """Wait until so many more calibrations were stored."""
    reached, deadline = len(clients.promises.created) + count, time.monotonic() + 120
    while len(clients.promises.created) < reached:
        assert time.monotonic() < deadline, clients.promises
        time.sleep(0.05)


@pytest.mark.skipif(not on_server(), reason="PostgreSQL's")
def test_posts_go_on_when_postgresql_was_stopped_and_started(cluster, monkeypatch):
    server_url, control = cluster
    monkeypatch.setenv("DATABASE_URL", f"{server_url}/postgres")
    url = f"{server_url}/away"
    token = faults.prepared(url)
    with faults.served(url) as server:
        clients = faults.Clients(server.port, token)
        clients.start()
        for mode in ("fast", "immediate"):  # sessions ended in order, and as in a crash
            more(clients)
            control("-m", mode, "stop")
            away = clients.post(faults.body("S-A1", 9000))
            assert away == 503
            control("start")
        more(clients)
        clients.stop()
    assert any(503 in found for found in clients.promises.statuses.values())
    assert faults.broken_promises(url, clients.promises) == KEPT


# ── Redis away ────────────────────────────────────────────────────────────────
@pytest.fixture
def redis():
    """Return a port and the function that starts a Redis server of our own there."""
    program = shutil.which("redis-server")
    if program is None:
        pytest.skip("redis-server is not installed")
    port, running = faults.free_port(), []

    def begin():
        call = [
            program,
            "--port",
            str(port),
            "--bind",
            "127.0.0.1",
            "--save",
            "",
            "--appendonly",
            "no",
        ]
        running.append(subprocess.Popen(call, stdout=subprocess.DEVNULL))
        time.sleep(0.5)
        return running[-1]

    yield port, begin
    for process in running:
        process.kill()
        process.wait()


def test_without_redis_posts_are_stored_and_a_scan_is_refused_in_words(url, token, redis):
    port, begin = redis
    there = begin()
    with faults.served(url, REDIS_URL=f"redis://127.0.0.1:{port}/0") as server:
        clients = faults.Clients(server.port, token)
        assert clients.post(faults.body("S-A1", 1)) == 201
        there.kill()
        there.wait()
        assert [clients.post(faults.body("S-A1", day)) for day in range(2, 6)] == [201] * 4
        begin()
        assert clients.post(faults.body("S-A1", 6)) == 201
    # What a lost message would have asked for is a row, and any worker does it.
    assert databases.manage(url, "scan").returncode == 0
    assert databases.query(url, "SELECT count(*) FROM calibration_judgement") == [(6,)]
    assert databases.manage(url, "verify").returncode == 0


# ── A migration that was interrupted ──────────────────────────────────────────
def test_a_migration_that_was_killed_is_completed_by_the_next(url):
    databases.make(url)
    early = ("fleet", "0002"), ("calibration", "0002")
    for app, name in early:
        assert databases.manage(url, "migrate", "-v0", app, name).returncode == 0
    for after in (0.6, 1.4, 2.2):
        process = databases.start(url, "manage.py", "migrate", "-v0")
        with process:
            time.sleep(after)
            process.kill()
    done = databases.manage(url, "migrate", "-v0")
    assert done.returncode == 0, done.stderr
    assert databases.manage(url, "check", "--database", "default").returncode == 0
    assert databases.run(url, "-c", faults.FILL).returncode == 0
    assert databases.query(url, "SELECT count(*) FROM fleet_change")[0][0] > 20
    assert databases.manage(url, "verify").returncode == 0


# ── Which errors of a database are whose ──────────────────────────────────────
def caused(kind, text, state=None, module="psycopg.errors"):
    cause = type("Cause", (Exception,), {"__module__": module, "sqlstate": state})(text)
    error = kind(text)
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (caused(OperationalError, "server closed the connection unexpectedly"), 503),
        (caused(OperationalError, "terminating connection due to administrator", "57P01"), 503),
        (caused(OperationalError, "the database system is starting up", "57P03"), 503),
        (caused(OperationalError, "could not extend file: No space left on device", "53100"), 507),
        (caused(OperationalError, "too many connections", "53300"), 503),
        (caused(InterfaceError, "connection already closed"), 503),
        (caused(OperationalError, "database is locked", module="sqlite3"), 503),
        (caused(OperationalError, "database or disk is full", module="sqlite3"), 507),
        (caused(OperationalError, "no such table: nowhere", module="sqlite3"), None),
        (caused(OperationalError, "syntax error", "42601"), None),
    ],
)
def test_what_is_away_is_503_what_is_full_507_and_what_is_ours_is_an_error(error, status):
    found = errors.describe(error)
    assert (found and int(found.status)) == status
    if status == 503:
        assert found.headers["Retry-After"] == errors.RETRY_AFTER
