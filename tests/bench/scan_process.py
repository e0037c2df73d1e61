"""`manage.py scan` as a process of its own: how long, how much memory, how many rows written."""

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import psycopg

from tests.bench.scan_database import ROOT, environment, manage

OWN_BOOKS = ("calibration_scanrun", "calibration_scanchunk")  # what a run says of itself
SAMPLED_EVERY = 0.05  # s


@dataclass(frozen=True)
class Ran:
    """What a scan came to.

    Attributes
    ----------
    seconds, wall : float [s]
        As the run itself says, and with the start of Python and of its workers.
    worker_mb : float [MiB]
        Largest resident set that any of its processes ever had.
    rows : int
        Rows inserted, updated and deleted in all tables but the run's own; -1 on SQLite.
    said : int
        What the run's chunks say of it; -1 on SQLite.
    judged : int
    """

    seconds: float
    wall: float
    worker_mb: float
    rows: int
    said: int
    judged: int


@cache
def takes_workers(url: str) -> bool:
    """Return whether the command can be told how many workers to use."""
    return "--workers" in manage(url, "scan", "--help")


def scan(url: str, *, full: bool, workers: int | None = None) -> Ran:
    """Run the scan on a database.

    Raises
    ------
    SystemExit
        If the scan fails, or a sensor could not be judged.
    """
    words = ["scan", "--json", *(["--full"] if full else [])]
    if workers is not None and takes_workers(url):
        words += ["--workers", str(workers)]
    before, clock = _touched(url), time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "manage.py", *words],
        cwd=ROOT, env=environment(url), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    with _watched(process.pid) as memory:
        printed, trouble = process.communicate()
    wall = time.monotonic() - clock
    if process.returncode:
        raise SystemExit(f"manage.py {' '.join(words)}: {trouble.strip() or printed}")
    result = json.loads(printed.strip().splitlines()[-1])
    after, said = _touched(url), _said(url)
    rows = after - before if after >= 0 else -1
    return Ran(result["seconds"], wall, memory.most_mb, rows, said, result["judged"])


# ── Memory ────────────────────────────────────────────────────────────────────
@dataclass
class _Memory:
    peaks_kb: dict[int, int] = field(default_factory=dict)

    @property
    def most_mb(self) -> float:
        return max(self.peaks_kb.values(), default=0) / 1024.0


@contextmanager
def _watched(pid: int) -> Iterator[_Memory]:
    """Look at a process and all its descendants until the block ends; Linux only."""
    memory, over = _Memory(), threading.Event()

    def look() -> None:
        while not over.wait(SAMPLED_EVERY):
            for one in _family(pid):
                memory.peaks_kb[one] = max(memory.peaks_kb.get(one, 0), _peak_kb(one))

    watcher = threading.Thread(target=look, daemon=True)
    watcher.start()
    try:
        yield memory
    finally:
        over.set()
        watcher.join()


def _family(pid: int) -> Iterator[int]:
    yield pid
    try:
        lists = [task.read_text() for task in Path(f"/proc/{pid}/task").glob("*/children")]
    except OSError:  # it ended while we looked
        return
    for child in " ".join(lists).split():
        yield from _family(int(child))


def _peak_kb(pid: int) -> int:
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:  # as above
        return 0
    peak = [line.split()[1] for line in status.splitlines() if line.startswith("VmHWM")]
    return int(peak[0]) if peak else 0  # a process that has just ended has no memory


# ── Rows ──────────────────────────────────────────────────────────────────────
def _touched(url: str) -> int:
    """Return how many rows the server has ever seen written in this database; -1 on SQLite."""
    if url.startswith("sqlite"):
        return -1
    with psycopg.connect(url) as connection:
        row = connection.execute(
            "SELECT sum(n_tup_ins + n_tup_upd + n_tup_del)::bigint FROM pg_stat_user_tables"
            " WHERE relname <> ALL(%s)",
            [list(OWN_BOOKS)],
        ).fetchone()
    return int(row[0]) if row else 0


def _said(url: str) -> int:
    if url.startswith("sqlite"):
        return -1
    with psycopg.connect(url) as connection:
        row = connection.execute(
            "SELECT COALESCE(sum(rows_written), 0)::bigint FROM calibration_scanchunk"
            " WHERE run_id = (SELECT max(id) FROM calibration_scanrun)"
        ).fetchone()
    return int(row[0]) if row else 0
