"""Kill scans at random moments and compare their rows with those of an undisturbed one.

    python -m tests.bench.kills            SPANBOOK_KILLS (50) kills, one JSON line at the end

On the database server of DATABASE_URL, in databases of its own; on SQLite in a temporary folder.
A process `manage.py scan --full` is killed by SIGKILL, once or more; then the scan is called
again. Every third time two processes share the scan, and the one that is left ends it.
"""

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
SENSORS, SEASONS = 75, 3  # of each of two dealers
DEADLINE = 600  # seconds for one scan, on a busy machine
SHORTLY = 0.2  # seconds after a stage began
NOT_COMPARED = {"id", "opened_at", "closed_at"}  # when, and in which order, may differ


@dataclass
class Desk:
    """A database of its own, on SQLite or PostgreSQL."""

    url: str
    environment: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self.environment = os.environ | {
            "DATABASE_URL": self.url,
            "SECRET_KEY": "x" * 50,
            "EMAIL_URL": "dummymail://",
            "DJANGO_SETTINGS_MODULE": "tests.bench.small_scans",
            "REDIS_URL": "",
            "PYTHONPATH": str(ROOT),
        }

    def start(self, *call: str) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [sys.executable, *call],
            cwd=ROOT,
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def run(self, *call: str) -> str:
        return ended(self.start(*call))

    def scan(self) -> "subprocess.Popen[str]":
        return self.start("manage.py", "scan", "--full")

    def connect(self) -> Any:
        if self.url.startswith("sqlite"):
            return sqlite3.connect(self.url.removeprefix("sqlite:///"), timeout=20)
        import psycopg

        return psycopg.connect(self.url, autocommit=True)

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        with closing(self.connect()) as connection, closing(connection.cursor()) as cursor:
            return cursor.execute(sql).fetchall()

    def copy(self, url: str) -> "Desk":
        if self.url.startswith("sqlite"):
            source, target = (name.removeprefix("sqlite:///") for name in (self.url, url))
            with closing(self.connect()) as connection:
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            shutil.copyfile(source, target)
        else:
            _create_database(url, template=self.url)
        return Desk(url)

    def drop(self) -> None:
        if self.url.startswith("sqlite"):
            for end in ("", "-wal", "-shm"):
                Path(self.url.removeprefix("sqlite:///") + end).unlink(missing_ok=True)
        else:
            _drop_database(self.url)


def ended(process: "subprocess.Popen[str]") -> str:
    """Wait for a process that should end well, and return what it printed."""
    said, _ = process.communicate(timeout=DEADLINE)
    if process.returncode:
        raise RuntimeError(f"{process.args} ended with {process.returncode}: {said}")
    return said


def _on_server(url: str, sql: str) -> None:
    import psycopg

    with psycopg.connect(url.rsplit("/", 1)[0] + "/postgres", autocommit=True) as connection:
        connection.execute(sql)


def _drop_database(url: str) -> None:
    _on_server(url, f'DROP DATABASE IF EXISTS "{url.rsplit("/", 1)[1]}" WITH (FORCE)')


def _create_database(url: str, template: str = "/template0") -> None:
    _drop_database(url)
    names = [each.rsplit("/", 1)[1] for each in (url, template)]
    _on_server(url, f'CREATE DATABASE "{names[0]}" TEMPLATE "{names[1]}"')


def fill() -> None:
    """Two dealers' sensors with some seasons, and everything that follows from them gone.

    The numbers walk by 2 % a season: invented, so that there are flags and steps to be found.
    """
    from calibration import records
    from calibration.models import (
        DriftFlag,
        DueState,
        Fit,
        Judgement,
        PackedHistory,
        StaleSensor,
    )
    from calibration.records import PointDraft
    from tests.conftest import NOW, SYSTEM, build_world

    rng, world, drafts = random.Random(4), build_world(), []
    for letter in ("A", "B"):
        for number in range(3, SENSORS + 3):
            span = 10_000.0
            name = f"{letter}{number}"
            world.add_sensor(name, lot=f"L{number % 3}")
            for year in range(2026 - SEASONS, 2026):
                span *= 1 + rng.gauss(0, 0.02)
                zero = 20_000 + rng.gauss(0, 40)
                when = datetime(year, 3, 1 + number % 7, 9, number % 60, tzinfo=UTC)
                points = (PointDraft(0, zero), PointDraft(100, zero + span))
                reference = world.references[letter]
                drafts.append(
                    world.draft(name, performed_at=when, points=points, reference=reference)
                )
    for outcome in records.record_many(drafts, scope=SYSTEM, now=NOW + timedelta(days=1)):
        if isinstance(outcome, Exception):
            raise outcome
    for model in (Fit, Judgement, DueState, DriftFlag, StaleSensor):
        model.objects.all().delete()
    # Half of them will be compared, and differ; half are read from their records.
    PackedHistory.objects.filter(sensor__serial__contains="1").delete()
    PackedHistory.objects.update(outcome=0)


def derived(desk: Desk) -> dict[str, Any]:
    """Return everything that a scan makes, as the database has it.

    Flags that stand: one that a verdict opened which did not stay (siblings judged later made it
    another) is closed again, and whether it was there depends on who was judged first.
    """
    from calibration.models import DriftFlag, DueState, Fit, Judgement, ScanRun, StaleSensor

    found: dict[str, Any] = {}
    for model in (Fit, Judgement, DueState, DriftFlag, StaleSensor):
        columns = [
            f'"{each.column}"'
            for each in model._meta.concrete_fields
            if each.name not in NOT_COMPARED
        ]
        rows = f"SELECT {', '.join(columns)} FROM {model._meta.db_table}"
        standing = " WHERE status <> 'closed'" if model is DriftFlag else ""
        found[model.__name__] = sorted(map(repr, desk.rows(rows + standing)))
    runs = desk.rows(
        "SELECT judged, flags_opened - flags_closed, failed, finished_at IS NOT NULL "
        f"FROM {ScanRun._meta.db_table} ORDER BY id"
    )
    # A kill that came when the scan had ended left the next call a scan that finds nothing new.
    found["counts"] = (runs[0][0], sum(run[1] for run in runs), [run[2:] for run in runs[:1]])
    assert sum(run[1] for run in runs) == len(found["DriftFlag"])
    return found


def differences(was: dict[str, Any], found: dict[str, Any]) -> list[str]:
    """Return what is not the same."""
    return [
        f"{name}: {sorted(map(str, set(was[name]) ^ set(found[name])))[:4]}"
        if isinstance(was[name], list)
        else f"{name}: {was[name]}, {found[name]}"
        for name in was
        if was[name] != found[name]
    ]


class Killer:
    """A filled database, what an undisturbed scan makes of it, and scans that are killed."""

    def __init__(self, url_of: Callable[[str], str], *, seed: int) -> None:
        self.url_of, self.rng = url_of, random.Random(seed)
        self.filled = Desk(url_of("filled"))
        if not self.filled.url.startswith("sqlite"):
            _create_database(self.filled.url)
        self.filled.run("manage.py", "migrate", "--verbosity=0")
        self.filled.run("-m", "tests.bench.kills", "fill")
        undisturbed = self.filled.copy(url_of("undisturbed"))
        self.seconds = self._timed(undisturbed)
        self.wanted = derived(undisturbed)
        sql = "SELECT DISTINCT stage, work FROM calibration_scanchunk ORDER BY stage"
        self.stages = undisturbed.rows(sql)
        self.at: list[str] = []  # where the scans stood that were killed
        undisturbed.drop()

    def close(self) -> None:
        self.filled.drop()

    def _timed(self, desk: Desk) -> float:
        process = desk.scan()
        self._wait_for_begin(desk, process)
        begun = time.monotonic()
        ended(process)
        return time.monotonic() - begun

    @staticmethod
    def _wait_for_begin(desk: Desk, process: "subprocess.Popen[str]") -> None:
        until = time.monotonic() + DEADLINE
        while time.monotonic() < until and process.poll() is None:
            if desk.rows("SELECT 1 FROM calibration_scanrun"):
                return
            time.sleep(0.01)

    def _wait_for_stage(
        self, desk: Desk, process: "subprocess.Popen[str]", wanted: tuple[int, str]
    ) -> None:
        until = time.monotonic() + DEADLINE
        while time.monotonic() < until and process.poll() is None:
            if self._stage(desk) == wanted:
                break
        time.sleep(self.rng.uniform(0, SHORTLY))

    def killed(self, number: int) -> tuple[int, list[str]]:
        """Kill the scan of one copy; return how often, and what of it differs in the end."""
        desk = self.filled.copy(self.url_of(f"killed{number}"))
        try:
            count = self._share(desk) if number % 3 == 2 else self._alone(desk)
            return count, differences(self.wanted, derived(desk))
        finally:
            desk.drop()

    def _kill(self, desk: Desk, process: "subprocess.Popen[str]") -> int:
        self._wait_for_begin(desk, process)
        if self.rng.random() < 0.5:
            time.sleep(self.rng.uniform(0, self.seconds))
        else:  # short stages would hardly ever be met by the clock
            self._wait_for_stage(desk, process, self.rng.choice(self.stages))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        killed = process.returncode == -signal.SIGKILL  # it may have ended just before
        self.at += ["{1} {0}".format(*self._stage(desk))] * killed
        return int(killed)

    @staticmethod
    def _stage(desk: Desk) -> tuple[int, str]:
        rows = desk.rows(
            "SELECT stage, work FROM calibration_scanchunk WHERE status <> 'done' ORDER BY number"
        )
        return rows[0] if rows else (0, "finished")

    def _alone(self, desk: Desk) -> int:
        count = sum(self._kill(desk, desk.scan()) for _ in range(self.rng.choice([1, 1, 2])))
        if count:
            ended(desk.scan())
        return count

    def _share(self, desk: Desk) -> int:
        one, other = desk.scan(), desk.scan()
        count = self._kill(desk, one)
        ended(other)
        return count


def urls(folder: Path) -> Callable[[str], str]:
    """Return where databases of a name are: on the server of DATABASE_URL, or in a folder."""
    url = os.environ.get("DATABASE_URL", "")
    if url.startswith("postgres"):
        return lambda name: f"{url}_kills_{name}"
    return lambda name: f"sqlite:///{folder / name}.sqlite3"


def main() -> None:
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.bench.small_scans")
    os.environ.setdefault("SECRET_KEY", "x" * 50)
    django.setup()
    if sys.argv[1:] == ["fill"]:
        fill()
        return
    wanted, done, number, same = int(os.environ.get("SPANBOOK_KILLS", "50")), 0, 0, True
    with tempfile.TemporaryDirectory() as folder:
        killer = Killer(urls(Path(folder)), seed=wanted)
        try:
            while done < wanted:
                count, differing = killer.killed(number)
                done, number, same = done + count, number + 1, same and not differing
                where = ", ".join(killer.at[-count:]) if count else "after its end"
                print(f"{done} kills (last in {where}): {differing or 'same'}", file=sys.stderr)
        finally:
            killer.close()
    print(json.dumps({"kills": done, "same_rows": same}))


if __name__ == "__main__":
    main()
