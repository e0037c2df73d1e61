"""Digests of records: what their content is, and the chain that ties a sensor's records."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

from calibration.models import Calibration, FunctionalTest, SealedRecord

COMMON = ("sensor_serial", "machine_serial", "position", "technician", "note", "supersede_reason")
CALIBRATION = (
    "reason",
    "stage",
    "reference_name",
    "load_unit",
    "reading_unit",
    "temperature_c",
    "hydraulic_pressure",
    "pressure_unit",
)
POINT = ("load", "reading", "direction")
FUNCTIONAL = ("load_unit", "pressure_unit")
STEP = (
    "commanded",
    "displayed_mean",
    "displayed_min",
    "displayed_max",
    "pressure",
    "observed",
)
START = "0" * 64


def _moment(value: datetime) -> str:
    return value.astimezone(UTC).isoformat(timespec="microseconds")


def _sha256(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def content_digest(record: SealedRecord, parts: Iterable[Any], *, dealer_code: str) -> str:
    """Return the SHA-256 of a record's content: what was measured and said, in fixed order.

    Numbers enter by their shortest exact decimal form, moments in UTC; keys of the database do
    not enter, so that the same record has the same digest in another database.
    """
    is_calibration = isinstance(record, Calibration)
    fields = COMMON + (CALIBRATION if is_calibration else FUNCTIONAL)
    content: dict[str, Any] = {name: getattr(record, name) for name in fields}
    content |= {
        "id": str(record.pk),
        "kind": "calibration" if is_calibration else "functional test",
        "dealer": dealer_code,
        "performed_at": _moment(record.performed_at),
        "supersedes": str(getattr(record, "supersedes_id", None) or ""),
        "parts": [
            [getattr(part, name) for name in (POINT if is_calibration else STEP)] for part in parts
        ],
    }
    return _sha256(content)


def chained(
    previous: str, *, number: int, content: str, recorded_at: datetime, by: int | None
) -> str:
    """Return a record's digest: its content, when and by whom it was entered, the one before."""
    return _sha256([previous, number, content, _moment(recorded_at), by])


def seal(record: SealedRecord, parts: Sequence[Any], *, now: datetime, by: int | None) -> None:
    """Give a new record its place in its sensor's chain; call it with the sensor locked."""
    assert isinstance(record, Calibration | FunctionalTest)
    number, previous = head(type(record), record.sensor_id)
    record.recorded_at, record.recorded_by_id, record.chain_number = now, by, number + 1
    record.content_digest = content_digest(record, parts, dealer_code=record.dealer.code)
    record.digest = chained(
        previous, number=number + 1, content=record.content_digest, recorded_at=now, by=by
    )


def head(model: type[Calibration | FunctionalTest], sensor_id: int) -> tuple[int, str]:
    """Return number and digest of a sensor's last record; call it with the sensor locked."""
    last = (
        model.objects.filter(sensor_id=sensor_id)
        .order_by("-chain_number")
        .values_list("chain_number", "digest")
        .first()
    )
    return last or (0, START)


def check_chain(records: Sequence[SealedRecord], codes: dict[int, str]) -> list[tuple[str, str]]:
    """Return (record id, what is wrong) for one sensor's records in order of their number."""
    found, previous = [], START
    for expected, record in enumerate(records, start=1):
        related = record.points if isinstance(record, Calibration) else record.steps  # type: ignore[attr-defined] # the only two kinds
        content = content_digest(record, related.all(), dealer_code=codes[record.dealer_id])
        if record.chain_number != expected:
            found.append((str(record.pk), f"record {expected} of the chain is missing"))
        if record.sensor_serial != record.sensor.serial:
            found.append((str(record.pk), "the sensor's serial is not the one in the record"))
        if content != record.content_digest:
            found.append((str(record.pk), "its content was altered"))
        elif record.digest != chained(
            previous,
            number=record.chain_number,
            content=content,
            recorded_at=record.recorded_at,
            by=record.recorded_by_id,
        ):
            found.append((str(record.pk), "its place in the chain was altered"))
        previous = record.digest
    return found
