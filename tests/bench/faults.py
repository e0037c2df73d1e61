"""Kill web workers in the middle of posts, at random moments, and count what was promised.

    python -m tests.bench.faults           SPANBOOK_FAULTS (200) kills, one JSON line at the end

A gunicorn of three workers serves a database of its own (on the server of DATABASE_URL, or SQLite
in a temporary folder) while clients post calibrations, each under an id of its own, and send what
was not answered again. Every moment or so a worker is killed by SIGKILL. Afterwards: every
calibration that was answered 201 is there, none twice, none half, and `verify` is clean.
"""

import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests import databases

CLIENTS = 4
DEADLINE = 300  # seconds until something has to be answered, on a busy machine
FILL = """
import django; django.setup()
from tests.conftest import build_world
world = build_world()
for which in ("A1c", "A1d"):
    world.add_sensor(which)
print(world.users["techA"].auth_token_set.create(name="kills")[1])
"""
SENSORS = ("S-A1", "S-A2", "S-A1c", "S-A1d")


def prepared(url: str, template: str = "") -> str:
    """Make a database with two dealers, upon a migrated one; return a technician's token."""
    databases.make(url, template)
    for call in (() if template else (("manage.py", "migrate", "-v0"),)) + (("-c", FILL),):
        done = databases.run(url, *call)
        if done.returncode:
            raise SystemExit(done.stderr)
    return done.stdout.split()[-1]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Server:
    """A gunicorn with three workers, and the processes that they are."""

    port: int
    process: "subprocess.Popen[bytes]"

    def workers(self) -> list[int]:
        """Return the workers that are there now."""
        pid = self.process.pid
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
        return [int(child) for child in text.split()]


@contextmanager
def served(url: str, **environment: str) -> Iterator[Server]:
    """Serve a database by the command that the README gives."""
    port = free_port()
    call = [
        sys.executable, "-m", "gunicorn", "fleet.config.wsgi", "--workers", "3", "--preload",
        "--bind", f"127.0.0.1:{port}", "--log-level", "critical", "--graceful-timeout", "5",
    ]  # fmt: skip
    more = {"ALLOWED_HOSTS": "127.0.0.1", "DEBUG": "false", **environment}
    process = subprocess.Popen(
        call, cwd=databases.ROOT, env=databases.environment(url, **more),
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        _wait_for(port, process)
        yield Server(port, process)
    finally:
        process.terminate()
        try:
            process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_for(port: int, process: "subprocess.Popen[bytes]") -> None:
    deadline = time.monotonic() + DEADLINE
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise SystemExit("the web server ended")
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    raise SystemExit("the web server does not answer")


@dataclass
class Promises:
    """What clients were told, by the id of the record."""

    created: set[str] = field(default_factory=set)
    statuses: dict[str, list[int]] = field(default_factory=dict)
    lost: int = 0  # requests without an answer

    def unexpected(self) -> dict[str, list[int]]:
        """Return the answers that nobody should get: not stored, there already, or not now."""
        return {key: found for key, found in self.statuses.items() if set(found) - {200, 201, 503}}


@dataclass
class Clients:
    """Technicians who post one calibration after the other, and do not give up."""

    port: int
    token: str
    promises: Promises = field(default_factory=Promises)
    _stop: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def start(self) -> None:
        for at in range(CLIENTS):
            thread = threading.Thread(target=self._work, args=(at,), daemon=True)
            thread.start()
            self._threads.append(thread)

    def stop(self) -> None:
        """Let everybody finish what is begun."""
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout=DEADLINE)
            if thread.is_alive():
                raise SystemExit("a post is not answered any more")

    def _work(self, at: int) -> None:
        day = 0
        while not self._stop.is_set():
            day += 1
            self._post_until_answered(body(SENSORS[at], day))

    def _post_until_answered(self, record: dict[str, Any]) -> None:
        deadline = time.monotonic() + DEADLINE
        while time.monotonic() < deadline:
            status = self.post(record)
            if status is None:
                self.promises.lost += 1
            else:
                self.promises.statuses.setdefault(record["id"], []).append(status)
                if status == 201:
                    self.promises.created.add(record["id"])
                if status != 503:
                    return
            time.sleep(0.02)

    def post(self, record: dict[str, Any], path: str = "/api/v1/calibrations/") -> int | None:
        """Return the status of an answer; None where none came."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        head = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        try:
            link.request("POST", path, json.dumps(record), head)
            answer = link.getresponse()
            answer.read()
        except (OSError, http.client.HTTPException):
            return None
        finally:
            link.close()
        return answer.status


def body(sensor: str, day: int) -> dict[str, Any]:
    """Return a sound calibration under an id of its own."""
    when = datetime(2021, 1, 1, tzinfo=UTC) + timedelta(hours=day)
    return {
        "id": str(uuid.uuid4()), "sensor": sensor, "performed_at": when.isoformat(),
        "load_unit": "daN", "reading_unit": "count",
        "points": [{"load": 0, "reading": 20000}, {"load": 100, "reading": 30000 + day % 7}],
    }  # fmt: skip


def broken_promises(url: str, promises: Promises) -> dict[str, int]:
    """Compare a database with what its clients were told."""
    rows = databases.query(url, "SELECT id FROM calibration_calibration")
    there = [str(uuid.UUID(str(key))) for (key,) in rows]
    counts = {
        table: databases.query(url, f"SELECT count(*) FROM calibration_{table}")[0][0]
        for table in ("calibrationpoint", "fit", "judgement")
    }
    found = databases.manage(url, "verify", "--json")
    told = set(promises.statuses)
    return {
        "missing": len(promises.created - set(there)),
        "answered_and_missing": len(
            {key for key in told if promises.statuses[key][-1] in {200, 201}} - set(there)
        ),
        "twice": len(there) - len(set(there)),
        "half": abs(counts["calibrationpoint"] - 2 * len(there))
        + abs(counts["fit"] - len(there)) + abs(counts["judgement"] - len(there)),
        "unexpected": len(promises.unexpected()),
        "findings": len(json.loads(found.stdout)["findings"]),
    }  # fmt: skip


def kill_workers(server: Server, promises: Promises, kills: int, seed: int) -> int:
    """Kill workers at random moments, each after another answer; return how many were killed."""
    chance = random.Random(seed)
    done = answered = 0
    deadline = time.monotonic() + DEADLINE + 3 * kills
    while done < kills and time.monotonic() < deadline:
        time.sleep(chance.uniform(0.005, 0.15))
        workers = server.workers()
        if len(workers) < 2 or len(promises.created) <= answered:
            continue
        answered = len(promises.created)
        try:
            os.kill(chance.choice(workers), signal.SIGKILL)
        except ProcessLookupError:
            continue
        done += 1
    return done


def run(url: str, token: str, kills: int, seed: int = 1) -> dict[str, Any]:
    """Post to what was prepared, kill, and compare."""
    began = time.monotonic()
    with served(url) as server:
        clients = Clients(server.port, token)
        clients.start()
        while not clients.promises.created:
            time.sleep(0.02)
        killed = kill_workers(server, clients.promises, kills, seed)
        clients.stop()
    promises = clients.promises
    return {
        "kills": killed, "answered_201": len(promises.created), "unanswered": promises.lost,
        "seconds": round(time.monotonic() - began, 1),
        **broken_promises(url, promises),
    }  # fmt: skip


def main() -> int:
    kills = int(os.environ.get("SPANBOOK_FAULTS", "200"))
    with tempfile.TemporaryDirectory() as folder:
        url = databases.url_of("faults", Path(folder))
        try:
            figures = run(url, prepared(url), kills)
        finally:
            databases.drop(url)
    print(json.dumps({"on": "postgresql" if databases.on_server() else "sqlite", **figures}))
    wrong = ("missing", "answered_and_missing", "twice", "half", "unexpected", "findings")
    return 1 if any(figures[name] for name in wrong) else 0


if __name__ == "__main__":
    sys.exit(main())
