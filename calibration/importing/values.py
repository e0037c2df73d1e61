"""One cell to one value: what each kind of column takes, and why it refuses the rest."""

import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
from typing import Any, NoReturn

from calibration.importing.source import Cell
from calibration.models import Direction, Reason, Stage
from calibration.record_file import unescape
from fleet import units
from fleet.models.equipment import SERIAL_ACCEPTED, SERIAL_PATTERN

NUMBER = "a number with a decimal point, like 25410 or -1.25"
DAY = "a day like 2026-03-28"
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_PLAIN_NUMBER = re.compile(r"-?[0-9]{1,15}(?:\.[0-9]{1,15})?")  # most are; nothing to check
_SERIAL = re.compile(SERIAL_PATTERN)
_SERIAL_CHARACTER = re.compile(r"[A-Za-z0-9 ._/#-]")
_EXACT = 10**15  # a spreadsheet keeps 15 digits of a number and drops the rest


class Refused(ValueError):
    """A cell cannot be what its column asks for."""

    def __init__(self, reason: str, accepted: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.accepted = accepted


def shown(cell: Cell) -> str:
    """Return a cell as a person would type it into a CSV."""
    if isinstance(cell, bool):
        return str(cell).upper()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < _EXACT else repr(cell)
    return cell if isinstance(cell, str) else str(cell)


def character(mark: str) -> str:
    """Return a character's code point and name, so that a look-alike can be told."""
    return f"U+{ord(mark):04X} {unicodedata.name(mark, 'control character')}"


def as_text(cell: Cell) -> str:
    """Return a cell as text; a whole number of a spreadsheet loses its ``.0``."""
    if isinstance(cell, str):
        return unescape(cell)
    if isinstance(cell, bool) or not isinstance(cell, float):
        kind = "a TRUE/FALSE" if isinstance(cell, bool) else "a date or time"
        raise Refused(f"The spreadsheet keeps {kind} here", "a cell formatted as text")
    if abs(cell) >= _EXACT:
        raise Refused(
            "The spreadsheet keeps this as a number, which loses digits after the fifteenth",
            "a cell formatted as text",
        )
    return shown(cell)


def text(longest: int, *, lines: bool = False) -> Callable[[Cell], str]:
    """Return a reader of free text; `lines`: it may have several, and any spaces."""

    def read(cell: Cell) -> str:
        value = as_text(cell)
        allowed = "\t\r\n" if lines else ""
        for at, mark in enumerate("" if value.isprintable() else value, start=1):
            if unicodedata.category(mark) in {"Cc", "Cs"} and mark not in allowed:
                raise Refused(f"Character {at} is {character(mark)}", "printable text")
        if not lines and value != value.strip():
            edge = value[0] if value[0].isspace() else value[-1]
            raise Refused(f"It begins or ends with {character(edge)}", "no space at the ends")
        if len(value) > longest:
            raise Refused(f"It has {len(value)} characters", f"at most {longest}")
        return value

    return read


def serial(cell: Cell) -> str:
    """Return a serial; a character that does not belong into one is named."""
    value = as_text(cell)
    if value == "" or _SERIAL.fullmatch(value):
        return value
    for at, mark in enumerate(value, start=1):
        if not _SERIAL_CHARACTER.fullmatch(mark):
            raise Refused(f"Character {at} is {character(mark)}", SERIAL_ACCEPTED)
    edges = {1: not re.match("[A-Za-z0-9]", value), len(value): value.endswith(" ")}
    for at, wrong in edges.items():
        if wrong:
            raise Refused(f"Character {at} is {character(value[at - 1])}", SERIAL_ACCEPTED)
    raise Refused(f"It has {len(value)} characters", SERIAL_ACCEPTED)


def number(cell: Cell) -> float | None:
    """Return a finite number, None for a blank cell."""
    if isinstance(cell, float):
        value = cell
    elif isinstance(cell, str) and _PLAIN_NUMBER.fullmatch(cell):
        return float(cell)
    else:
        written = as_text(cell)
        if written == "":
            return None
        if not is_number(written):
            _refuse_number(written)
        value = float(written)
        if value == 0.0 and re.search(r"[1-9]", re.split("[eE]", written)[0]):
            raise Refused("It is too small for a number kept in 64 bits", NUMBER)
    if not math.isfinite(value):
        raise Refused("It is too large for a number kept in 64 bits", NUMBER)
    return value


def is_number(written: str) -> bool:
    """Whether a text is a number as this file format writes them."""
    return _NUMBER.fullmatch(written) is not None


def _refuse_number(written: str) -> NoReturn:
    strange = next((mark for mark in written if not mark.isascii()), "")
    if strange:
        raise Refused(f"It is not a number: it contains {character(strange)}", NUMBER)
    if re.fullmatch(r"[+-]?[0-9.]*,[0-9]+", written):
        raise Refused("It has a decimal comma", NUMBER)
    raise Refused("It is not a number", NUMBER)


def one_of(choices: Iterable[str]) -> Callable[[Cell], str]:
    """Return a reader of one word out of a list, or of a blank cell."""
    known = list(choices)

    def read(cell: Cell) -> str:
        value = as_text(cell)
        if value and value not in known:
            raise Refused("It is not known here", ", ".join(known))
        return value

    return read


def moment(cell: Cell) -> str:
    """Return a moment as ISO 8601 text; its zone is settled later, by the dealer."""
    if isinstance(cell, datetime):
        return cell.isoformat()
    return cell.isoformat() if isinstance(cell, date) else as_text(cell)


def day(cell: Cell) -> date | None:
    """Return a day, None for a blank cell."""
    if isinstance(cell, datetime) and cell.time() == datetime.min.time():
        return cell.date()
    if isinstance(cell, date) and not isinstance(cell, datetime):
        return cell
    written = shown(cell) if isinstance(cell, datetime) else as_text(cell)
    if written == "":
        return None
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", written):
        raise Refused("It is not a day", DAY)
    try:
        return date.fromisoformat(written)
    except ValueError as wrong:
        raise Refused(f"There is no such day: {wrong}", DAY) from wrong


_LOAD, _IDENTIFIER = one_of(units.LOAD), text(120)

# How each column that is said of the whole record is read; a blank cell gives "" or None.
READERS: Mapping[str, Callable[[Cell], Any]] = {
    "customer": text(120),
    "machine": serial,
    "machine_model": text(80),
    "position": text(24),
    "sensor": serial,
    "sensor_model": text(80),
    "lot": text(40),
    "performed_at": moment,
    "technician": text(80, lines=True),
    "reason": one_of(Reason.values),
    "stage": one_of(Stage.values),
    "reference": text(80),
    "load_unit": _LOAD,
    "reading_unit": one_of(units.READING),
    "temperature_c": number,
    "hydraulic_pressure": number,
    "pressure_unit": one_of(units.PRESSURE),
    "note": text(2000, lines=True),
    "supersedes": _IDENTIFIER,
    "supersede_reason": text(200, lines=True),
    "installed_on": day,
    "removed_on": day,
    "tag_zero_reading": number,
    "tag_span_reading": number,
    "tag_span_load": number,
    "tag_load_unit": _LOAD,
}
DIRECTION = one_of(Direction.values)


def record_id(cell: Cell) -> str:
    """Return the text that names a record; it cannot be blank."""
    name = _IDENTIFIER(cell)
    if not name:
        raise Refused("It is blank", "a UUID, or any text that names the record")
    return name


# What a blank cell of a record stands for, or what it would have to hold.
DEFAULTS: Mapping[str, str] = {"reason": Reason.SEASONAL, "stage": Stage.AS_FOUND}
NEEDED: Mapping[str, str] = {
    "sensor": SERIAL_ACCEPTED,
    "performed_at": "ISO 8601, like 2026-03-28T09:10:00-05:00",
    "load_unit": ", ".join(units.LOAD),
    "reading_unit": ", ".join(units.READING),
}
