"""The way out: every calibration of a dealer's sensors as a record file that loads back."""

import csv
from collections.abc import Callable, Iterator
from datetime import date, datetime
from typing import Any, TextIO

from django.db.models import Prefetch, QuerySet

from calibration.models import Calibration, CalibrationPoint
from calibration.readout import reference_of
from calibration.record_file import COLUMNS, OPTIONAL, escape
from fleet.models import Dealer, Installation
from fleet.scope import Scope

CHUNK = 1000
HEADER = (*COLUMNS, *OPTIONAL)
_ON_THE_WAY = (
    "sensor__dealer", "sensor__model", "reference", "installation__machine__model",
    "installation__machine__customer",
)  # fmt: skip


def export_records(
    dealer: Dealer,
    *,
    scope: Scope,
    out: TextIO,
    progress: Callable[[int, int], None] | None = None,
) -> int:
    """Write every calibration of the dealer's sensors as CSV; return how many there were.

    Oldest first, one row per point, lines end with CR LF (RFC 4180). Loaded into a database with
    the same models and references and written again, it is the same file byte for byte.
    """
    owned = Calibration.objects.visible_to(scope).filter(sensor__dealer=dealer)
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADER)
    total, done = owned.count(), 0
    for record in _records(owned):
        writer.writerows(_rows_of(record, scope))
        done += 1
        if progress:
            progress(done, total)
    return done


def rows(calibrations: "QuerySet[Calibration]", *, scope: Scope) -> Iterator[list[str]]:
    """Yield the rows of a record file for these calibrations, oldest first; `HEADER` names them.

    What another dealer wrote in free text, what its references are called, and who owns a machine
    that has gone to another dealer, is left blank unless the caller belongs there.
    """
    for record in _records(calibrations):
        yield from _rows_of(record, scope)


def _records(calibrations: "QuerySet[Calibration]") -> Iterator[Calibration]:
    points = Prefetch("points", CalibrationPoint.objects.order_by("number"))
    ordered = calibrations.order_by("performed_at", "chain_number", "pk")
    return ordered.select_related(*_ON_THE_WAY).prefetch_related(points).iterator(CHUNK)


def _rows_of(record: Calibration, scope: Scope) -> Iterator[list[str]]:
    said = _said(record, scope)
    for point in record.points.all():
        values = said | {
            "load": point.load, "reading": point.reading, "direction": point.direction,
        }  # fmt: skip
        yield [_cell(values[column]) for column in HEADER]


def _said(record: Calibration, scope: Scope) -> dict[str, Any]:
    sensor, zone = record.sensor, record.sensor.dealer.zone
    readable = scope.sees_remarks_of(record.dealer_id)
    reference = reference_of(record, scope)
    return {
        "record_id": str(record.pk),
        "sensor": sensor.serial,
        "sensor_model": sensor.model.name,
        "lot": sensor.lot,
        "performed_at": record.performed_at.astimezone(zone).isoformat(),
        "technician": record.technician if readable else "",
        "reason": record.reason,
        "stage": record.stage,
        "reference": reference.name if reference else "",
        "load_unit": record.load_unit,
        "reading_unit": record.reading_unit,
        "temperature_c": record.temperature_c,
        "hydraulic_pressure": record.hydraulic_pressure,
        "pressure_unit": record.pressure_unit,
        "note": record.note if readable else "",
        "supersedes": str(record.supersedes_id or ""),
        "supersede_reason": record.supersede_reason,
        "tag_zero_reading": sensor.tag_zero_reading,
        "tag_span_reading": sensor.tag_span_reading,
        "tag_span_load": sensor.tag_span_load,
        "tag_load_unit": sensor.tag_load_unit,
    } | _place(record.installation, record)


def _place(where: Installation | None, record: Calibration) -> dict[str, Any]:
    """Return where the sensor sat; an inferred first day is left blank, loading infers it."""
    if where is None:
        return dict.fromkeys(
            ("customer", "machine", "machine_model", "position", "installed_on", "removed_on")
        )
    machine = where.machine
    still_here = machine.customer.dealer_id == record.sensor.dealer_id
    return {
        "customer": machine.customer.name if still_here else "",
        "machine": machine.serial,
        "machine_model": machine.model.name,
        "position": where.position,
        "installed_on": None if where.start_is_inferred else where.installed_on,
        "removed_on": where.removed_on,
    }


def _cell(value: str | float | date | datetime | None) -> str:
    """Return a value as text: numbers in their shortest exact form, texts made harmless."""
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    return escape(value) if isinstance(value, str) else ""
