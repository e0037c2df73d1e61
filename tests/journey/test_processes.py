"""The compose file's own commands as plain processes: they answer, do a scan, and stop.

Docker cannot run where we test; what it would start, runs here with the same commands and the same
variables, but for the addresses and the folder that each test has for itself.
"""

import json
import os
import re
import shlex
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from contextlib import ExitStack
from pathlib import Path

import pytest
import yaml
from django.conf import settings
from django.contrib.auth.hashers import Argon2PasswordHasher
from django.db import connection

from fleet.config.celery import app

ROOT = Path(__file__).parents[2]
PATIENCE = 90  # s
TOKEN = "a-token-for-the-figures-0123456789"
PASSWORD = "a-password-of-this-test-only"

pytestmark = [
    pytest.mark.worker,
    pytest.mark.postgresql,
    pytest.mark.skipif(
        connection.vendor != "postgresql" or not settings.REDIS_URL,
        reason="the processes need PostgreSQL and Redis (DATABASE_URL, REDIS_URL)",
    ),
]


@pytest.fixture
def services():
    return yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]


@pytest.fixture
def environment(services, tmp_path, transactional_db):
    """Return the compose file's variables, with this test's places, secrets in files."""
    told = connection.settings_dict
    secrets = {"secret_key": "x" * 50, "database_password": told["PASSWORD"] or "none-is-asked",
               "metrics_token": TOKEN, "email_url": "dummymail://"}  # fmt: skip
    for name, value in secrets.items():
        (tmp_path / name).write_text(f"{value}\n")
    values = {}
    for name, value in services["web"]["environment"].items():
        default = re.sub(r"\$\{\w+:[-?]([^}]*)\}", r"\1", value)
        values[name] = default.replace("/run/secrets", str(tmp_path))
    with app.connection_for_write() as broker:
        app.control.purge(broker)  # what other tests sent and nobody was there to do
    apart = {name.removesuffix("_FILE") for name in values}
    outside = {name: value for name, value in os.environ.items() if name not in apart}
    return outside | values | {
        "DATABASE_URL": f"postgresql://{told['USER'] or 'root'}@{told['HOST'] or 'localhost'}:"
                        f"{told['PORT'] or 5432}/{told['NAME']}",
        "REDIS_URL": settings.REDIS_URL,
        "ALLOWED_HOSTS": "desk.example.org",
        "TRUSTED_PROXIES": "127.0.0.1",
        "SECOND_FACTOR": "optional",
        "PROMETHEUS_MULTIPROC_DIR": str(folder(tmp_path / "figures")),
    }  # fmt: skip


def folder(path):
    path.mkdir()
    return path


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def start(name, command, environment, folder):
    """Start one of the commands as it stands, in its own place; its lines go into a file."""
    with (folder / f"{name}.log").open("wb") as log:
        return subprocess.Popen(
            shlex.split(command), cwd=ROOT, env=environment, stdout=log, stderr=subprocess.STDOUT
        )


def end(process):
    """End a process that a failed test left."""
    if process.poll() is None:
        process.kill()
        process.wait(30)


def ask(port, path, body=None, **headers):
    """Ask as the proxy would; return status, headers and body."""
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}{path}", method="POST" if body else "GET"
    )
    request.add_header("Host", "desk.example.org")
    request.add_header("X-Forwarded-Proto", "https")
    request.add_header("X-Forwarded-For", "203.0.113.5")
    for key, value in headers.items():
        request.add_header(key.replace("_", "-"), value)
    if body is not None:
        request.data = json.dumps(body).encode()
        request.add_header("Content-Type", "application/json")
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, answer.headers, answer.read().decode()
    except urllib.error.HTTPError as refused:
        return refused.code, refused.headers, refused.read().decode()


def wait_for(what, reached, processes, folder):
    until = time.monotonic() + PATIENCE
    while not reached():
        for name, process in processes.items():
            assert process.poll() is None, (folder / f"{name}.log").read_text()[-3000:]
        assert time.monotonic() < until, (what, logs(folder)[-4000:])
        time.sleep(0.25)


def logs(folder):
    return "".join(f"--- {file.name}\n{file.read_text()}" for file in sorted(folder.glob("*.log")))


def answers(port, path):
    try:
        return ask(port, path)[0] == 200
    except OSError:
        return False


def test_the_processes_answer_scan_and_stop(services, environment, tmp_path):
    from fleet.models import User

    root = User.objects.create_superuser("root-of-this-test")
    # Hashed as in production: the other tests' quick way is unknown to the processes.
    root.password = Argon2PasswordHasher().encode(PASSWORD, "a-salt-of-this-test")
    root.save()
    port = free_port()
    web = services["web"]["command"].replace("0.0.0.0:8000", f"127.0.0.1:{port}")
    worker = services["worker"]["command"]
    beat = services["beat"]["command"].replace("/tmp/", f"{tmp_path}/")
    with ExitStack() as undo:
        processes = {}
        for name, command in (("web", web), ("worker", worker), ("beat", beat)):
            processes[name] = process = start(name, command, environment, tmp_path)
            undo.callback(end, process)
        wait_for("ready", lambda: answers(port, "/readyz"), processes, tmp_path)
        assert answers(port, "/healthz")
        wait_for(
            "worker", lambda: "ready" in (tmp_path / "worker.log").read_text(), processes, tmp_path
        )
        wait_for("beat", (tmp_path / "beat.pid").exists, processes, tmp_path)

        # A scan that is asked for by the API is done by the worker, under the same request's id.
        given = {"username": "root-of-this-test", "password": PASSWORD}
        status, _, body = ask(port, "/api/v1/tokens/", given)
        assert status == 201, body
        bearer = f"Bearer {json.loads(body)['token']}"
        status, headers, body = ask(port, "/api/v1/scans/", {"full": False}, Authorization=bearer,
                                    X_Request_ID="journey-of-a-scan")  # fmt: skip
        assert status in {201, 202}, body
        assert headers["X-Request-ID"] == "journey-of-a-scan"
        run = json.loads(body)["id"]

        def finished():
            shown = json.loads(ask(port, f"/api/v1/scans/{run}/", Authorization=bearer)[2])
            return shown["finished_at"] is not None

        wait_for("scan", finished, processes, tmp_path)
        lines = [json.loads(line) for line in (tmp_path / "worker.log").read_text().splitlines()
                 if line.startswith('{"at"')]  # fmt: skip
        assert [line for line in lines if line.get("request_id") == "journey-of-a-scan"], logs(
            tmp_path
        )

        # The figures of both processes of the server, for whom they are meant.
        assert ask(port, "/metrics")[0] == 404
        status, _, figures = ask(port, "/metrics", Authorization=f"Bearer {TOKEN}")
        assert status == 200
        counted = re.compile(
            r'_requests_total\{method="POST",route="[^"]*scans[^"]*",status="202"\} 1\.'
        )
        assert counted.search(figures), figures
        assert "spanbook_scans_under_way 0.0" in figures

        # Sent by no proxy with TLS, a request is sent there; the cookies never travel plainly.
        plain = ask(port, "/admin/login/", X_Forwarded_Proto="https")
        assert plain[0] == 200
        assert "max-age=31536000" in plain[1]["Strict-Transport-Security"]
        assert "Secure" in plain[1]["Set-Cookie"]

        for process in processes.values():
            process.send_signal(signal.SIGTERM)
        ended = {name: process.wait(60) for name, process in processes.items()}
    assert ended == {"web": 0, "worker": 0, "beat": 0}, logs(tmp_path)[-4000:]
    said = logs(tmp_path)
    assert "Traceback" not in said, said[-4000:]
    for secret in (PASSWORD, TOKEN, bearer.split()[1], "x" * 50):
        assert secret not in said


def test_a_wrong_variable_stops_the_server_before_it_listens(services, environment, tmp_path):
    web = services["web"]["command"].replace("0.0.0.0:8000", f"127.0.0.1:{free_port()}")
    ran = subprocess.run(
        shlex.split(web), cwd=ROOT, check=False,
        env=environment | {"ALLOWED_HOSTS": "https://desk.example.org"},
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert ran.returncode != 0
    assert "ALLOWED_HOSTS" in ran.stderr
    assert "accepted:" in ran.stderr
