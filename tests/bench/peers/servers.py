"""Peers that work in the database: one SQL statement, and a loop with the ORM over a sample."""

from collections.abc import Sequence
from statistics import linear_regression
from typing import Any

import numpy as np
import psycopg

from tests.bench.peers.rows import LIMIT, Flagged

STATEMENT = f"""
WITH lines AS (
    SELECT calibration_id, regr_slope(reading, load) AS slope
    FROM calibration_calibrationpoint GROUP BY calibration_id
), compared AS (
    SELECT c.id, slope, lag(slope) OVER (
        PARTITION BY c.sensor_id, c.installation_id ORDER BY c.performed_at
    ) AS before
    FROM calibration_calibration c JOIN lines ON lines.calibration_id = c.id
)
SELECT id FROM compared WHERE abs(slope / before - 1.0) > {LIMIT} ORDER BY id
"""


def with_sql(connection: psycopg.Connection[Any]) -> Flagged:
    """Run the statement with memory enough to sort and hash without the disk."""
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL work_mem = '1GB'")
        cursor.execute(STATEMENT)
        found = b"".join(key.bytes for (key,) in cursor)
    return np.frombuffer(found, dtype="V16")


def with_orm(sensor_ids: Sequence[int]) -> Flagged:
    """Go through these sensors as one would write it down first."""
    from calibration.models import Calibration

    found = []
    for sensor_id in sensor_ids:
        before: tuple[int | None, float] | None = None
        for calibration in Calibration.objects.filter(sensor=sensor_id).order_by("performed_at"):
            points = list(calibration.points.all())
            slope, _ = linear_regression(
                [point.load for point in points], [point.reading for point in points]
            )
            place = calibration.installation_id
            if before and before[0] == place and abs(slope / before[1] - 1.0) > LIMIT:
                found.append(calibration.pk)
            before = place, slope
    return np.frombuffer(b"".join(key.bytes for key in sorted(found)), dtype="V16")
