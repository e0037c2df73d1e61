"""What the peers read: four columns of calibrations and three of points, as arrays.

A UUID is two 64-bit halves, which every tool joins faster than 16 bytes. In the bench's fleet a
sensor's units never change within an installation, so that nobody has to convert any; that
favours the peers, since the scan converts.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import psycopg
from numpy.typing import NDArray

from tests.bench.scan_columns import SIGNATURE, TRAILER

Array = NDArray[Any]
Flagged = NDArray[np.void]  # sorted UUIDs of 16 bytes

LIMIT = 0.03  # relative change of slope
CALIBRATIONS = {"hi": ">u8", "lo": ">u8", "sensor": ">i8", "performed": ">i8",
                "installation": ">i8"}  # fmt: skip
POINTS = {"hi": ">u8", "lo": ">u8", "load": ">f8", "reading": ">f8"}


@dataclass(frozen=True)
class Rows:
    """The columns of both tables, each of one length."""

    calibrations: dict[str, Array]
    points: dict[str, Array]


def read(connection: psycopg.Connection[Any]) -> Rows:
    """Read both tables by binary COPY."""
    return Rows(
        _copied(
            connection,
            "COPY calibration_calibration (id, sensor_id, performed_at, installation_id)"
            " TO STDOUT (FORMAT BINARY)",
            CALIBRATIONS,
        ),
        _copied(
            connection,
            "COPY calibration_calibrationpoint (calibration_id, load, reading)"
            " TO STDOUT (FORMAT BINARY)",
            POINTS,
        ),
    )


def _copied(
    connection: psycopg.Connection[Any], statement: str, columns: dict[str, str]
) -> dict[str, Array]:
    """Decode rows of fixed width; one with a NULL would not fit and is refused."""
    width = [("fields", ">i2")]
    for name, kind in columns.items():
        width += [] if name == "lo" else [(f"{name}/length", ">i4")]  # of one field with `hi`
        width += [(name, kind)]
    row, content = np.dtype(width), bytearray()
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        for block in copy:
            content += block
    size = len(content) - len(SIGNATURE) - len(TRAILER)
    table = np.frombuffer(content, row, count=size // row.itemsize, offset=len(SIGNATURE))
    if table.nbytes != size or not (table["fields"] == table["fields"][:1]).all():
        raise ValueError("the rows are not of one width: is a column NULL?")
    return {name: table[name].astype(kind[1:]) for name, kind in columns.items()}


def uuids(hi: Array, lo: Array) -> Flagged:
    """Return sorted UUIDs from their halves."""
    both = np.stack([hi, lo], axis=1).astype(np.uint64)
    both = both[np.lexsort((both[:, 1], both[:, 0]))]
    return both.astype(">u8").view("V16").reshape(-1)
