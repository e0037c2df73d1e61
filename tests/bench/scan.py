"""The bench of the scan: one run, one table, every figure a ratio inside the run.

Run ``python -m tests.bench.scan`` (``--sensors 10000``, 100000 or 1000000). It fills a PostgreSQL
database of its own with an invented fleet (`scan_fleet`), and measures there what it costs psql to
copy the needed columns out and compute nothing (the floor), what the scan costs, and what others
need for a part of the job (`peers`; ``pip install -e '.[bench]'``). Wall-clock seconds on a
machine whose cores server and client share; medians of three where it was short. The last line is
one JSON object. The database is dropped at the end, or with ``--keep`` by the next run.
"""

import argparse
import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import psycopg

from tests.bench import scan_database
from tests.bench.peers.race import Race, race
from tests.bench.scan_process import takes_workers
from tests.bench.scan_readings import Fleet
from tests.bench.scan_steps import (
    Measured,
    OnSqlite,
    Scans,
    measure,
    measure_sqlite,
    small_full,
    tell,
    use_django,
)

SMALL = 10_000  # sensors that growth is counted from
SQLITE_MOST = 100_000


def main() -> None:
    """Fill, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sensors", type=int, default=SMALL)
    parser.add_argument("--database", metavar="URL", default=scan_database.default_url())
    parser.add_argument(
        "--sqlite", type=int, default=SQLITE_MOST, metavar="SENSORS", help="at most, on SQLite"
    )
    parser.add_argument("--keep", action="store_true", help="leave the database for a look")
    asked = parser.parse_args()
    today = datetime.now(UTC).date()
    small = None
    if asked.sensors != SMALL:
        url = scan_database.named(asked.database, f"{scan_database.name_of(asked.database)}_small")
        small = small_full(url, Fleet(SMALL, today=today))
    fleet = Fleet(asked.sensors, today=today)
    scan_database.make(asked.database, fleet)
    tell(f"{scan_database.name_of(asked.database)} filled")
    use_django(asked.database)
    raced: list[Race] = []

    def peers() -> None:
        with psycopg.connect(asked.database) as connection:
            raced.append(race(connection, fleet.size))
        tell("peers agree")

    try:
        measured = measure(asked.database, fleet, between=peers)
    finally:
        if not asked.keep:
            scan_database.drop(asked.database)
    sqlite = measure_sqlite(Fleet(min(fleet.size, asked.sqlite), today=today))
    workers = takes_workers(asked.database)
    print("\n".join(table(fleet, measured, raced[0], sqlite, small, workers=workers)))
    print(json.dumps(figures(fleet, measured, raced[0], sqlite, small)))


def figures(
    fleet: Fleet, pg: Measured, raced: Race, sqlite: OnSqlite, small: Scans | None
) -> dict[str, Any]:
    """Return what the last line says."""
    full, growth = pg.full.seconds, 1.0
    if small is not None:
        growth = (full / fleet.size) / (small.seconds / SMALL)
    rounded = {
        "scan_vs_copy": full / pg.floor,
        "scan_vs_copy_one_worker": pg.full_one_worker.seconds / pg.floor,
        "first_vs_copy": pg.first.seconds / pg.floor,
        "scan_vs_fastest_peer": full / raced.seconds[raced.fastest],
        "growth": growth,
        "worker_mb": max(pg.full.worker_mb, pg.full_one_worker.worker_mb),
        "rescan_vs_full": pg.rescan.seconds / full,
        "incremental_vs_full": pg.incremental.seconds / full,
        "sqlite_scan_vs_read": sqlite.full.seconds / sqlite.read,
    }
    return {
        "sensors": fleet.size,
        **{name: round(value, 4) for name, value in rounded.items()},
        "fastest_peer": raced.fastest,
        "rescan_rows": pg.rescan.rows,
        "full_relearnt_rows": pg.full_relearnt.rows,
        "full_rescan_rows": pg.full_unchanged.rows,
        "seconds": {name: round(value, 3) for name, value in seconds(pg, raced, sqlite, small)},
    }


def seconds(
    pg: Measured, raced: Race, sqlite: OnSqlite, small: Scans | None
) -> Iterator[tuple[str, float]]:
    """Yield everything that was measured, by name."""
    yield "floor", pg.floor
    yield "floor_psycopg", pg.floor_psycopg
    yield "packed", pg.packed
    for name, scans in scans_of(pg, sqlite, small).items():
        yield name, scans.seconds
        yield f"{name}_process", scans.wall
    yield "sqlite_read", sqlite.read
    yield "peers_reading", raced.reading
    yield from raced.seconds.items()


def scans_of(pg: Measured, sqlite: OnSqlite, small: Scans | None) -> dict[str, Scans]:
    """Return the scans by the names that the JSON object gives them."""
    named = {
        "first": pg.first, "full": pg.full, "full_one_worker": pg.full_one_worker,
        "incremental": pg.incremental, "rescan": pg.rescan, "full_relearnt": pg.full_relearnt,
        "full_unchanged": pg.full_unchanged,
        "sqlite_first": sqlite.first, "sqlite_full": sqlite.full,
    }  # fmt: skip
    return named if small is None else named | {"small_full": small}


LABELS = {
    "first": "first full scan, everything written",
    "full": "full scan after 1 % changed, two workers",
    "full_one_worker": "full scan after 1 % changed, one worker",
    "incremental": "scan of the 1 % that changed, two workers",
    "rescan": "scan, nothing changed",
    "full_relearnt": "full scan after small ones, learning anew",
    "full_unchanged": "full scan, nothing changed",
    "small_full": f"full scan, two workers, {SMALL:,} sensors",
    "sqlite_first": "SQLite: first full scan",
    "sqlite_full": "SQLite: full scan after 1 % changed",
}


def table(
    fleet: Fleet, pg: Measured, raced: Race, sqlite: OnSqlite, small: Scans | None, *,
    workers: bool,
) -> Iterator[str]:  # fmt: skip
    """Yield the lines of the table."""
    dealers, cells = len(fleet.register.changed), len(fleet.changed_customers()) * 12
    yield (
        f"{fleet.size:,} sensors of {dealers} dealers, six calibrations each; server and client "
        f"share {os.cpu_count()} cores.\nChanged: about {cells:,} sensors, whole customers of as "
        f"few dealers as hold them. Record digests are random (not looked at).\n"
        f"Rows written: of all runs of a kind together, three where short.\n{pg.findings}."
    )
    if not workers:
        yield "The command takes no --workers yet: 'two workers' is what it does by itself."
    yield f"\n{'':46s} {'seconds':>9s} {'x floor':>8s} {'process':>8s} {'MB':>6s} {'rows':>9s}"
    label = f"floor: {pg.floor_bytes / 1e6:,.0f} MB of needed columns by COPY"
    yield _line(label, pg.floor, pg.floor)
    yield _line("  the same by psycopg, row by row", pg.floor_psycopg, pg.floor)
    yield _line("  COPY of the packed rows alone", pg.packed, pg.floor)
    for name, scans in scans_of(pg, sqlite, small).items():
        floor = sqlite.read if name.startswith("sqlite") else pg.floor
        if name == "sqlite_first":
            yield _line(f"SQLite, {sqlite.sensors:,} sensors: read columns", floor, floor)
        rows = f"{scans.rows:9,d}" if scans.runs[0].rows >= 0 else ""
        yield (
            f"{_line(LABELS[name], scans.seconds, floor)} {scans.wall:8.2f} "
            f"{scans.worker_mb:6.0f} {rows}"
        )
    yield f"\nThe pairwise part alone, {raced.flagged:,} flagged by all ({raced.tied} too near):"
    for name, value in sorted(raced.seconds.items(), key=lambda item: item[1]):
        note = f", from {raced.sample:,} sensors" if name == "orm" else ""
        yield _line(f"  {name}{note}", value, pg.floor)
    yield ""


def _line(label: str, value: float, floor: float) -> str:
    return f"{label:46s} {value:9.3f} {value / floor:8.2f}"


if __name__ == "__main__":
    main()
