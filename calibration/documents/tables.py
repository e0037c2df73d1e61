"""The dossier's CSV files: a sensor's calibrations in the record file's columns, and its tests."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from calibration.record_file import COLUMNS, escape

FUNCTIONAL_COLUMNS = (
    "record_id", "machine", "position", "sensor", "performed_at", "technician", "load_unit",
    "commanded", "displayed_mean", "displayed_min", "displayed_max", "pressure", "pressure_unit",
    "observed", "verdict", "note",
)  # fmt: skip


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool | int | float):
        return repr(value)  # the shortest text that reads back as the same number
    return escape(str(value))


def _csv(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(columns)
    writer.writerows([_cell(row.get(name)) for name in columns] for row in rows)
    return out.getvalue().encode()


def calibrations_csv(
    calibrations: Iterable[Mapping[str, Any]],
    sensor: Mapping[str, Any],
    machine_models: Mapping[str, str],
) -> bytes:
    """Return one row per point; the customer stays empty, for a dossier names no owner."""
    rows = []
    for one in calibrations:
        record = {
            "record_id": one["id"],
            "machine": one["machine_serial"],
            "machine_model": machine_models.get(one["machine_serial"], ""),
            "position": one["position"],
            "sensor": one["sensor_serial"],
            "sensor_model": sensor["model_name"],
            "lot": sensor["lot"],
            "reference": one["reference_name"],
            **one["conditions"],
            **{
                name: one[name]
                for name in (
                    "performed_at", "technician", "reason", "stage", "load_unit",
                    "reading_unit", "note",
                )
            },
        }  # fmt: skip
        rows += [
            record | {name: point[name] for name in ("load", "reading", "direction")}
            for point in one["points"]
        ]
    return _csv(COLUMNS, rows)


def functional_csv(tests: Iterable[Mapping[str, Any]]) -> bytes:
    """Return one row per setpoint."""
    rows = []
    for test in tests:
        record = {
            "record_id": test["id"],
            "machine": test["machine_serial"],
            "sensor": test["sensor_serial"],
            **{
                name: test[name]
                for name in (
                    "position", "performed_at", "technician", "load_unit", "pressure_unit",
                    "verdict", "note",
                )
            },
        }  # fmt: skip
        rows += [record | dict(step) for step in test["steps"]]
    return _csv(FUNCTIONAL_COLUMNS, rows)
