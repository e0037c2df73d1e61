"""What the bench of the API asks about: the invented fleet, one large customer, one long history.

The fleet is that of the scan's bench (`scan_fleet`), judged by one full scan. Then one customer
takes over machines of its dealer until it has five hundred sensors, and one sensor is calibrated
until it has twenty records, through the API's own services.
"""

import json
import subprocess
import sys
from dataclasses import dataclass
from datetime import UTC, datetime

import psycopg

from tests.bench import scan_database
from tests.bench.scan_readings import Fleet
from tests.bench.scan_register import CELLS

LONG, LARGE = 20, 500  # calibrations of the one sensor, sensors of the one customer


@dataclass(frozen=True)
class Asked:
    """Keys that the bench asks for, and the token that it shows."""

    token: str
    customer: int
    sensor: int
    sensors: int
    # Sensors to post to, of two dealers: the API's and the floor's.
    ours: list[int]
    floors: list[int]


def prepare(url: str, fleet: Fleet) -> Asked:
    """Make the database, judge it, and return what to ask for."""
    scan_database.make(url, fleet)
    large = _large_customer(url, min(LARGE, fleet.size // 8))
    scan_database.manage(url, "scan", "--full")
    said = json.loads(_in_project(url, "tests.bench.api_people", str(LONG)))
    scan_database.settle(url)
    with psycopg.connect(url) as connection:
        rows = connection.execute(
            "SELECT dealer_id, id FROM fleet_sensor WHERE dealer_id IN (1, 2) AND id <> %s"
            " ORDER BY id",
            [said["sensor"]],
        ).fetchall()
    return Asked(
        token=said["token"],
        customer=large,
        sensor=said["sensor"],
        sensors=fleet.size,
        ours=[pk for dealer, pk in rows if dealer == 1],
        floors=[pk for dealer, pk in rows if dealer == 2],
    )


def now() -> datetime:
    """Return the moment at which the bench lives."""
    return datetime.now(UTC)


def _large_customer(url: str, sensors: int) -> int:
    """Give machines of dealer 1 to one of its customers, and return that customer."""
    with psycopg.connect(url) as connection:
        row = connection.execute(
            "SELECT min(id) FROM fleet_customer WHERE dealer_id = 1"
        ).fetchone()
        assert row is not None
        connection.execute(
            "UPDATE fleet_machine SET customer_id = %s WHERE id IN"
            " (SELECT m.id FROM fleet_machine m"
            " JOIN fleet_customer c ON c.id = m.customer_id WHERE c.dealer_id = 1"
            " ORDER BY m.id LIMIT %s)",
            [row[0], -(-sensors // CELLS)],
        )
    return int(row[0])


def _in_project(url: str, module: str, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", module, *words],
        cwd=scan_database.ROOT, env=scan_database.environment(url), capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(f"{module}: {done.stderr.strip() or done.stdout}")
    return done.stdout.strip().splitlines()[-1]
