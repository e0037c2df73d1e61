"""The floor: what it costs to get the needed columns out of the database, nothing computed."""

import sqlite3
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import psycopg
from psycopg import sql

HEADS = ("id", "sensor_id", "performed_at", "reason", "installation_id", "reference_id",
         "load_unit", "reading_unit", "hydraulic_pressure")  # fmt: skip
POINTS = ("calibration_id", "number", "load", "reading")
NEEDED = {"calibration_calibration": HEADS, "calibration_calibrationpoint": POINTS}
PACKED = {"calibration_packedhistory": ("sensor_id", "heads", "points", "outcome")}


def median_of(work: Callable[[], object], *, short: float = 30.0, times: int = 3) -> float:
    """Return how many seconds it takes: the median of three, of one where that was not short."""
    taken: list[float] = []
    while len(taken) < times and not (taken and taken[0] > short):
        clock = time.monotonic()
        work()
        taken.append(time.monotonic() - clock)
    return median(taken)


def copy_out(url: str, tables: dict[str, tuple[str, ...]]) -> int:
    """Read columns by binary COPY, throw them away, and return how many bytes they were."""
    size = 0
    with psycopg.connect(url) as connection, connection.cursor() as cursor:
        for table, columns in tables.items():
            names = sql.SQL(", ").join(map(sql.Identifier, columns))
            statement = sql.SQL("COPY {} ({}) TO STDOUT (FORMAT BINARY)")
            with cursor.copy(statement.format(sql.Identifier(table), names)) as copy:
                for block in copy:
                    size += len(block)
    return size


def copy_by_psql(url: str) -> None:
    """Let psql do the same for the needed columns; it spends no time on Python."""
    words: list[str] = []
    for table, columns in NEEDED.items():
        statement = f"COPY {table} ({', '.join(columns)}) TO STDOUT (FORMAT BINARY)"
        words += ["--command", statement]
    subprocess.run(["psql", "--quiet", url, *words], stdout=subprocess.DEVNULL, check=True)


def read_sqlite(path: Path) -> int:
    """Read the same columns with a plain cursor and return how many rows they were."""
    rows = 0
    connection = sqlite3.connect(path)
    for table, columns in NEEDED.items():
        statement = f"SELECT {', '.join(columns)} FROM {table}"
        rows += sum(1 for _ in connection.execute(statement))
    connection.close()
    return rows
