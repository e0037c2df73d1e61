"""A day on which 1 % of the cells are calibrated once more, left as an import leaves it.

The customers are the first of as few dealers as make up the 1 %. Their calibrations are stored,
and the cells are marked as not judged yet.
"""

import sqlite3
from datetime import UTC, datetime

import numpy as np
import psycopg

from tests.bench.scan_columns import Table, copy_in, insert_into
from tests.bench.scan_database import trusting
from tests.bench.scan_readings import Fleet


def change(url: str, fleet: Fleet, number: int) -> int:
    """Add the `number`-th such day, counted from 1; return how many cells it touched."""
    sensors, tables = fleet.change_tables(number)
    now = np.datetime64(datetime.now(UTC).replace(tzinfo=None), "us")
    tables.append(
        Table(
            "calibration_stalesensor",
            {
                "sensor_id": sensors,
                "since": np.full(len(sensors), now),
                "why": np.full(len(sensors), b"recorded by the bench"),
            },
        )
    )
    if url.startswith("sqlite"):
        with sqlite3.connect(url.removeprefix("sqlite:///")) as file:
            insert_into(file, tables)
        file.close()
    else:
        with psycopg.connect(url) as connection:
            trusting(connection)
            copy_in(connection, tables)
    return len(sensors)
