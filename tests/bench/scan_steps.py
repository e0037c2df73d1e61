"""The measurements of the scan's bench on one database, one after the other.

Before each, the database is left to settle (vacuum, statistics, checkpoint), as it would be before
a night's scan. A scan counts by the seconds that the run itself says; what starting Python and its
workers adds is kept beside it.
"""

import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import psycopg

from tests.bench import scan_database, scan_floor
from tests.bench.scan_change import change
from tests.bench.scan_findings import Findings, findings
from tests.bench.scan_process import Ran, scan
from tests.bench.scan_readings import Fleet

SHORT = 20.0  # s; what takes no longer is done three times


@dataclass
class Scans:
    """The same scan done once or three times."""

    runs: list[Ran] = field(default_factory=list)

    @property
    def seconds(self) -> float:
        return median(run.seconds for run in self.runs)

    @property
    def wall(self) -> float:
        return median(run.wall for run in self.runs)

    @property
    def worker_mb(self) -> float:
        return max(run.worker_mb for run in self.runs)

    @property
    def rows(self) -> int:
        """Rows written in all of them: what the server counted, or the runs said, if more."""
        return sum(max(run.rows, run.said) for run in self.runs)


class Subject:
    """A database, made and filled, and the scans of it."""

    def __init__(self, url: str, fleet: Fleet) -> None:
        self.url, self.fleet, self.days = url, fleet, 0

    def settle(self) -> None:
        if not self.url.startswith("sqlite"):
            scan_database.settle(self.url)

    def scan(self, what: str, *, full: bool, workers: int | None = None, changed: bool) -> Scans:
        """Scan, each time after another day's change or after none; three times if short."""
        scans = Scans()
        while len(scans.runs) < 3 and not (scans.runs and scans.runs[0].wall > SHORT):
            if changed:
                self.days += 1
                change(self.url, self.fleet, self.days)
            self.settle()
            scans.runs.append(scan(self.url, full=full, workers=workers))
            tell(f"{what}: {scans.runs[-1].seconds:.2f} s")
        return scans

    def first(self) -> Scans:
        """Scan everybody for the first time; that cannot be done again."""
        self.settle()
        scans = Scans([scan(self.url, full=True, workers=2)])
        tell(f"first full scan: {scans.seconds:.2f} s")
        self.settle()
        return scans


@dataclass
class Measured:
    """What was measured on PostgreSQL at one size; `floor` is by psql, where there is one."""

    floor: float
    floor_bytes: int
    floor_psycopg: float
    first: Scans
    packed: float
    findings: Findings
    full: Scans
    full_one_worker: Scans
    incremental: Scans
    rescan: Scans
    full_relearnt: Scans
    full_unchanged: Scans


def measure(url: str, fleet: Fleet, between: Callable[[], None]) -> Measured:
    """Measure a database that was just filled; `between` is called before the first scan."""
    subject = Subject(url, fleet)
    size = scan_floor.copy_out(url, scan_floor.NEEDED)
    by_psycopg = scan_floor.median_of(lambda: scan_floor.copy_out(url, scan_floor.NEEDED))
    floor = by_psycopg
    if shutil.which("psql"):
        floor = scan_floor.median_of(lambda: scan_floor.copy_by_psql(url))
    tell(f"floor: {floor:.2f} s")
    between()
    first = subject.first()
    with psycopg.connect(url) as connection, connection.cursor() as cursor:
        found = findings(cursor, fleet)
    packed = scan_floor.median_of(lambda: scan_floor.copy_out(url, scan_floor.PACKED))
    full = subject.scan("full scan, two workers", full=True, workers=2, changed=True)
    one = subject.scan("full scan, one worker", full=True, workers=1, changed=True)
    incremental = subject.scan("scan of what changed", full=False, workers=2, changed=True)
    scan(url, full=False)  # the first scan of the unchanged fleet: now it is at rest
    rescan = subject.scan("scan of nothing new", full=False, changed=False)
    # A full scan learns from everybody anew, a small one does not: what that moves, it writes.
    relearnt = Scans([scan(url, full=True, workers=2)])
    again = subject.scan("full scan, nothing new", full=True, workers=2, changed=False)
    return Measured(floor, size, by_psycopg, first, packed, found, full, one, incremental, rescan,
                    relearnt, again)  # fmt: skip


def small_full(url: str, fleet: Fleet) -> Scans:
    """Return the full scan of a small fleet in a database of its own, made and dropped here."""
    scan_database.make(url, fleet)
    try:
        subject = Subject(url, fleet)
        subject.first()
        return subject.scan("full scan, small fleet", full=True, workers=2, changed=True)
    finally:
        scan_database.drop(url)


@dataclass
class OnSqlite:
    """Reading and scanning an SQLite file."""

    sensors: int
    read: float
    first: Scans
    full: Scans


def measure_sqlite(fleet: Fleet) -> OnSqlite:
    """Measure the same on an SQLite file that is thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.sqlite3"
        subject = Subject(scan_database.make_sqlite(path, fleet), fleet)
        tell("SQLite filled")
        first = Scans([scan(subject.url, full=True)])
        full = subject.scan("full scan, SQLite", full=True, changed=True)
        read = scan_floor.median_of(lambda: scan_floor.read_sqlite(path))
        return OnSqlite(fleet.size, read, first, full)


def use_django(url: str) -> None:
    """Set Django up in this process on that database, for the ORM's loop."""
    os.environ.update(scan_database.environment(url))
    os.environ["DJANGO_SETTINGS_MODULE"] = "fleet.config.settings"
    import django

    django.setup()


def tell(text: str) -> None:
    """Say how far we are, where it does not disturb the table."""
    print(text, file=sys.stderr, flush=True)
