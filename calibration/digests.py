"""Digests of records: what their content is, and the chain that ties a sensor's records."""

import hashlib
import json
import math
import secrets
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from json.encoder import encode_basestring_ascii as _text
from typing import Any, NamedTuple
from uuid import UUID

from calibration.models import Calibration, FunctionalTest, SealedRecord

COMMON = ("sensor_serial", "machine_serial", "position", "technician", "note", "supersede_reason")
WORDS = ("technician", "note", "supersede_reason")
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


class Content(NamedTuple):
    """What the digest of a calibration covers, beside its points and its dealer's code."""

    id: UUID
    sensor_serial: str
    machine_serial: str
    position: str
    performed_at: datetime
    technician: str
    note: str
    supersedes_id: UUID | None
    supersede_reason: str
    reason: str
    stage: str
    reference_name: str
    load_unit: str
    reading_unit: str
    temperature_c: float | None
    hydraulic_pressure: float | None
    pressure_unit: str
    words_salt: str = ""
    words_digest: str = ""


@lru_cache(maxsize=1024)
def _moment(value: datetime) -> str:
    return value.astimezone(UTC).isoformat(timespec="microseconds")


def _json(content: Any) -> str:
    return json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _number(value: Any) -> str:
    """Return a number as `_json` writes it, faster for those that nearly all are."""
    if type(value) is float and math.isfinite(value):
        return float.__repr__(value)
    return _json(value)


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def new_salt() -> str:
    """Return a salt for the words of one record: who does not have it cannot guess at them."""
    return secrets.token_hex(16)


def words_digest(salt: str, technician: str, note: str, supersede_reason: str) -> str:
    """Return the SHA-256 of what a record says in free words, with its salt.

    It stands for the words in the record's content. When they are erased (they name a customer
    who asks for it) the salt is erased with them: what is left proves the numbers as before, and
    nobody can find the words by trying, which a digest without a secret would allow.
    """
    said = f"[{_text(salt)},{_text(technician)},{_text(note)},{_text(supersede_reason)}]"
    return _sha256(said)


def _words(record: "Content | SealedRecord") -> str:
    """Return the digest of a record's words; nothing for a record of version 1."""
    if record.words_salt:
        return words_digest(
            record.words_salt, record.technician, record.note, record.supersede_reason
        )
    return record.words_digest


def content_digest(record: SealedRecord, parts: Iterable[Any], *, dealer_code: str) -> str:
    """Return the SHA-256 of a record's content: what was measured and said, in fixed order.

    Numbers enter by their shortest exact decimal form, moments in UTC; keys of the database do
    not enter, so that a copy of the record has the same digest in another database.
    """
    if isinstance(record, Calibration):
        content = Content._make(getattr(record, name) for name in Content._fields)
        points = ((part.load, part.reading, part.direction) for part in parts)
        return calibration_digest(content, points, dealer_code=dealer_code)
    words = _words(record)
    names = [name for name in COMMON + FUNCTIONAL if not (words and name in WORDS)]
    said: dict[str, Any] = {name: getattr(record, name) for name in names}
    said |= {"words": words} if words else {}
    said |= {
        "id": str(record.pk),
        "kind": "functional test",
        "dealer": dealer_code,
        "performed_at": _moment(record.performed_at),
        "supersedes": str(getattr(record, "supersedes_id", None) or ""),
        "parts": [[getattr(part, name) for name in STEP] for part in parts],
    }
    return _sha256(_json(said))


def calibration_digest(
    said: Content, points: Iterable[tuple[Any, Any, Any]], *, dealer_code: str
) -> str:
    """Return the SHA-256 of a calibration's content; points as (load, reading, direction)."""
    return _sha256(calibration_json(said, points, dealer_code=dealer_code))


def calibration_json(
    said: Content, points: Iterable[tuple[Any, Any, Any]], *, dealer_code: str
) -> str:
    """Return the text that is digested: `_json` of the content, put together by hand.

    A file has a hundred thousand of them, and sorting the same names each time is half the cost.
    """
    parts = ",".join(
        [f"[{_number(load)},{_number(reading)},{_text(way)}]" for load, reading, way in points]
    )
    words = _words(said)
    note = "" if words else f'"note":{_text(said.note)},'
    reason = "" if words else f'"supersede_reason":{_text(said.supersede_reason)},'
    technician = "" if words else f',"technician":{_text(said.technician)}'
    return (
        f'{{"dealer":{_text(dealer_code)},"hydraulic_pressure":{_number(said.hydraulic_pressure)},'
        f'"id":"{said.id}","kind":"calibration","load_unit":{_text(said.load_unit)},'
        f'"machine_serial":{_text(said.machine_serial)},{note}'
        f'"parts":[{parts}],"performed_at":"{_moment(said.performed_at)}",'
        f'"position":{_text(said.position)},"pressure_unit":{_text(said.pressure_unit)},'
        f'"reading_unit":{_text(said.reading_unit)},"reason":{_text(said.reason)},'
        f'"reference_name":{_text(said.reference_name)},'
        f'"sensor_serial":{_text(said.sensor_serial)},"stage":{_text(said.stage)},'
        f'{reason}"supersedes":"{said.supersedes_id or ""}"{technician},'
        f'"temperature_c":{_number(said.temperature_c)}'
        + (f',"words":"{words}"}}' if words else "}")
    )


def chained(
    previous: str, *, number: int, content: str, recorded_at: datetime, by: int | None
) -> str:
    """Return a record's digest: its content, when and by whom it was entered, the one before."""
    entered = "null" if by is None else by
    return _sha256(
        f'[{_text(previous)},{number},{_text(content)},"{_moment(recorded_at)}",{entered}]'
    )


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


class Standing(NamedTuple):
    """A sensor as it stands before the next record: whose it is, and the end of its chain."""

    dealer_id: int
    chain_number: int
    digest: str


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
