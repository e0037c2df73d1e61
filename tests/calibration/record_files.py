"""Record files for the tests: rows as dictionaries, written as CSV or XLSX."""

import csv
import io
from typing import Any

from calibration.importing import load_file
from calibration.record_file import COLUMNS
from tests.conftest import NOW, SYSTEM

SOUND: dict[str, Any] = {
    "record_id": "one", "customer": "Farm A1", "machine": "M-A1", "machine_model": "Ackerfurche 8",
    "position": "row 1", "sensor": "S-A1", "sensor_model": "LC-500", "lot": "L1",
    "performed_at": "2026-03-10T09:00:00+01:00", "technician": "Ewa", "reason": "seasonal",
    "stage": "as_found", "reference": "scale 1", "load": "0", "load_unit": "daN",
    "reading": "20000", "reading_unit": "count", "direction": "up", "temperature_c": "11.5",
    "hydraulic_pressure": "0", "pressure_unit": "bar", "note": "",
}  # fmt: skip


def record(record_id: str = "one", *, points=((0, 20000), (100, 30000)), **changes: Any):
    """Return the rows of one sound record of the world's sensor S-A1, with some cells changed."""
    return [
        SOUND | {"record_id": record_id, "load": load, "reading": reading} | changes
        for load, reading in points
    ]


def new_sensor(record_id: str, serial: str, **changes: Any):
    """Return a sound record of a machine and sensor that nobody knows yet."""
    fresh = {"customer": "Farm new", "machine": "M-NEW", "position": "row 3", "lot": "L9"}
    return record(record_id, **(fresh | {"sensor": serial} | changes))


def as_csv(rows, columns=None) -> bytes:
    """Return rows as CSV with these columns, by default the format's and what the rows add."""
    columns = columns or list(dict.fromkeys([*COLUMNS, *(key for row in rows for key in row)]))
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", extrasaction="ignore", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def as_xlsx(rows, *, change=None) -> bytes:
    """Return rows as the first sheet of a workbook; `change` may edit the sheet first."""
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(list(COLUMNS))
    for row in rows:
        sheet.append([None if row[name] == "" else row[name] for name in COLUMNS])
    if change:
        change(sheet)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def load(world, content, dealer="A", **options: Any):
    """Load a file, or rows, for one of the world's dealers."""
    content = as_csv(content) if isinstance(content, list) else content
    options = {"scope": SYSTEM, "now": NOW} | options
    return load_file(content, name="test", dealer=world.dealers[dealer], **options)


def reasons(result) -> list[str]:
    """Return a result's reasons, each with its row and column."""
    return [f"{each.row} {each.column}: {each.reason}" for each in result.reasons]
