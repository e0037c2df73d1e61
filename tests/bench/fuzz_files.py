"""Files, cells and units that nobody would send: every one is read or refused, none is an error.

`python -m tests.bench.fuzz_files [--inputs 1000000] [--seed 1]`; the last line is one JSON object.

Hypothesis makes the inputs. What counts as a crash: any exception but the declared refusal
(`Malformed` for a file, `Refused` for a cell, `Invalid` for a moment), an input that takes longer
than two seconds of the processor, a value that no row could hold, and a file of refused rows that cannot be read.
"""

# ruff: noqa: E501, RUF001 - long markup and look-alike characters are what is sent

import argparse
import csv
import io
import json
import math
import os
import random
import time
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")
django.setup()

from hypothesis import HealthCheck, Phase, given, seed, settings  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from calibration.drafts import resolve_moment  # noqa: E402
from calibration.importing import values  # noqa: E402
from calibration.importing.header import opened  # noqa: E402
from calibration.importing.rejecting import rejects_of  # noqa: E402
from calibration.importing.rows import Reader  # noqa: E402
from calibration.importing.values import Refused  # noqa: E402
from calibration.record_file import COLUMNS, OPTIONAL, escape, unescape  # noqa: E402
from fleet import units  # noqa: E402
from fleet.errors import Invalid, Malformed  # noqa: E402
from fleet.models import Dealer  # noqa: E402

DEALER = Dealer(code="NORTH", timezone="Europe/Warsaw")
SLOW = 2.0  # s
SHARES = {"cells": 0.70, "units": 0.14, "csv": 0.14, "xlsx": 0.02}
SOUND = {
    "record_id": "one", "customer": "Farm A1", "machine": "M-A1", "machine_model": "Ackerfurche 8",
    "position": "row 1", "sensor": "S-A1", "sensor_model": "LC-500", "lot": "L1",
    "performed_at": "2026-03-10T09:00:00+01:00", "technician": "Ewa", "reason": "seasonal",
    "stage": "as_found", "reference": "scale 1", "load": "0", "load_unit": "daN",
    "reading": "20000", "reading_unit": "count", "direction": "up", "temperature_c": "11.5",
    "hydraulic_pressure": "0", "pressure_unit": "bar", "note": "",
}  # fmt: skip


@dataclass
class Tally:
    """What became of the inputs of one kind."""

    inputs: int = 0
    refused: int = 0
    accepted: int = 0
    crashes: list[str] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)

    @contextmanager
    def of(self, given: Any) -> Iterator[None]:
        """Count one input; keep what it broke."""
        self.inputs += 1
        begun = time.process_time()  # our own: a machine that others use may let us wait
        try:
            yield
        except (Malformed, Refused, Invalid):
            self.refused += 1
        except KeyboardInterrupt:
            raise
        except BaseException as wrong:  # noqa: BLE001 - a panic of the reader's is one, too
            self._crashed(f"{type(wrong).__name__}: {wrong}"[:200], given)
        else:
            self.accepted += 1
        if time.process_time() - begun > SLOW:
            self._crashed("slow", given)

    def _crashed(self, what: str, given: Any) -> None:
        self.kinds[what[:80]] += 1
        if len(self.crashes) < 20:
            self.crashes.append(f"{what} <- {given!r}"[:2000])


# ── What is sent ──────────────────────────────────────────────────────────────
_ODD = st.sampled_from([
    "", "'", "''", "'=1", "=1+1", "-0", "+.5", "1e400", "1e-400", "1,5", "0x1F", "NaN", "inf", "١٢٣",
    "１２", "1_000", " 1", "1 ", "\u00a05", "1e5e5", "9" * 400, "9007199254740993", "-", ".", "+",
    "2026-02-30", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "2026-03-29T02:30:00",
    "2026-W10-3", "20260310", "2026-03-10T24:00:00", "2026-03-10T09:00:00+25:00", "\ufeffdaN",
    "dan", "LBF", "lbf ", "daN\u200b", "µV/V", "kＮ", "up", "UP", "as_found", "\x00", "\ud800", "a\nb",
    "\u202eevil", "S" * 300, "😀", "row\t1", '"', '""', "a,b", "\r", "ß", "İ", "e\u0301",
])  # fmt: skip
_NUMBERS = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(width=16).map(str), st.integers().map(str), st.decimals(allow_nan=True).map(str),
    st.from_regex(r"[+-]?[0-9]{0,20}\.?[0-9]{0,20}([eE][+-]?[0-9]{1,4})?", fullmatch=True),
)  # fmt: skip
_MOMENTS = st.one_of(
    st.datetimes(), st.dates(), st.times(), st.timedeltas(), st.datetimes().map(str),
    st.dates().map(str),
    st.from_regex(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(:[0-9.]{1,9})?([+-][0-9]{2}:?[0-9]{2}|Z)?",
                  fullmatch=True),
)  # fmt: skip
_KNOWN = st.sampled_from([*SOUND.values(), *units.LOAD, *units.READING, *units.PRESSURE])
CELLS = st.one_of(_ODD, _KNOWN, _NUMBERS, _MOMENTS, st.booleans(), st.text(max_size=40))
TEXTS = st.one_of(_ODD, _KNOWN, _NUMBERS.map(str), _MOMENTS.map(str), st.text(max_size=40))
NAMES = st.one_of(st.sampled_from([*COLUMNS, *OPTIONAL, "refused_because"]), TEXTS)


@st.composite
def tables(draw: Any) -> list[list[str]]:
    """Rows of a sound file with some cells, names and rows changed."""
    names = [*COLUMNS, *draw(st.sets(st.sampled_from(OPTIONAL), max_size=3))]
    rows = [[SOUND.get(name, "") for name in names] for _ in range(draw(st.integers(1, 4)))]
    if len(rows) > 1:
        rows[1][names.index("load")], rows[1][names.index("reading")] = "100", "30000"
    for _ in range(draw(st.integers(0, 4))):
        row = draw(st.integers(0, len(rows) - 1))
        rows[row][draw(st.integers(0, len(names) - 1))] = draw(TEXTS)
    if draw(st.integers(0, 9)) == 0:
        names[draw(st.integers(0, len(names) - 1))] = draw(NAMES)
    if draw(st.integers(0, 9)) == 0:
        names, rows = names[::-1], [row[::-1] for row in rows]
    if draw(st.integers(0, 19)) == 0:
        rows.insert(draw(st.integers(0, len(rows))), draw(st.lists(TEXTS, max_size=30)))
    return [names, *rows]


@st.composite
def mangled(draw: Any, content: bytes) -> bytes:
    """The bytes as they are, mostly; else cut, doubled, or with some bytes put in."""
    how = draw(st.sampled_from([9, 9, 9, 9, 9, 0, 1, 2]))
    if how == 9 or not content:
        return content
    at = draw(st.integers(0, len(content) - 1))
    if how == 0:
        return content[:at]
    if how == 1:
        return content[:at] + draw(st.binary(max_size=6)) + content[at + draw(st.integers(0, 6)) :]
    return content[:at] + content[at // 2 :]


@st.composite
def csv_files(draw: Any) -> bytes:
    """A CSV, nearly."""
    out = io.StringIO()
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    writer = csv.writer(out, lineterminator=end, delimiter=draw(st.sampled_from(",,,,,,,,;\t")))
    writer.writerows(draw(tables()))
    code = draw(st.sampled_from(["utf-8"] * 12 + ["utf-8-sig", "utf-16", "latin-1"]))
    return draw(mangled(out.getvalue().encode(code, "ignore")))


_PACKAGE = "http://schemas.openxmlformats.org/package/2006"  # ECMA-376: a package and its parts
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_SHEETS = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_PARTS = {
    "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/>'
    f'<Override PartName="/xl/workbook.xml" ContentType="{_KIND}.sheet.main+xml"/>'
    f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{_KIND}.worksheet+xml"/></Types>',
    "_rels/.rels": f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
    f'Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": f'<workbook xmlns="{_SHEETS}" xmlns:r="{_OFFICE}">'
    '<sheets><sheet name="one" sheetId="1" r:id="rId1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship '
    f'Id="rId1" Type="{_OFFICE}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
}  # fmt: skip
_XML = str.maketrans({"<": "&lt;", "&": "&amp;", '"': "&quot;"})
_TYPES = ["inlineStr"] * 10 + ["n", "b", "e", "str", "s", "d", "odd"]


@st.composite
def workbooks(draw: Any) -> bytes:
    """An XLSX, nearly: its sheet written by hand, so that nothing puts it right."""
    lines, odd = [], (draw(st.integers(2, 4)), draw(st.integers(0, 21)))
    for number, row in enumerate(draw(tables()), start=1):
        cells = []
        for at, text in enumerate(row):
            kind = draw(st.sampled_from(_TYPES)) if (number, at) == odd else "inlineStr"
            value = str(text).translate(_XML)
            held = f"<is><t>{value}</t></is>" if kind == "inlineStr" else f"<v>{value}</v>"
            cells.append(f'<c r="{_letters(at)}{number}" t="{kind}">{held}</c>')
        lines.append(f'<row r="{number}">{"".join(cells)}</row>')
    sheet = (
        f'<worksheet xmlns="{_SHEETS}"><sheetData>'
        + "".join(lines) + "</sheetData></worksheet>"
    )  # fmt: skip
    hurt = draw(st.sampled_from([*[""] * 6, *_PARTS, "xl/worksheets/sheet1.xml"]))
    out = io.BytesIO()
    with zipfile.ZipFile(
        out, "w", draw(st.sampled_from([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED]))
    ) as archive:
        for name, text in (_PARTS | {"xl/worksheets/sheet1.xml": sheet}).items():
            raw = text.encode("utf-8", "ignore")
            archive.writestr(name, draw(mangled(raw)) if name == hurt else raw)
    return out.getvalue() if hurt else draw(mangled(out.getvalue()))


def _letters(at: int) -> str:
    return chr(65 + at) if at < 26 else "A" + chr(65 + at - 26)


# ── What reads it ─────────────────────────────────────────────────────────────
def read_cell(cell: Any) -> None:
    """Read a cell as every kind of column would; what comes back can be stored."""
    refusals = 0
    readers = [*values.READERS.values(), values.DIRECTION, values.record_id, values.number]
    for read in readers:
        try:
            value = read(cell)
        except Refused:
            refusals += 1
            continue
        assert value is None or isinstance(value, str | float | date | datetime), value
        assert not isinstance(value, float) or math.isfinite(value), value
        assert (
            not isinstance(value, str) or not value or "\x00" not in value or read is values.moment
        )
    written = values.shown(cell)
    assert unescape(escape(written)) == written
    if refusals == len(readers):
        raise Refused("no column takes it")


def read_unit(text: str) -> None:
    """Read a text as a moment and as a unit: one that is known, exactly as it is written."""
    for known, reader in ((units.LOAD, "load_unit"), (units.READING, "reading_unit"),
                          (units.PRESSURE, "pressure_unit")):  # fmt: skip
        try:
            value = values.READERS[reader](text)
        except Refused:
            assert text not in known
        else:
            assert value == "" or value in known
    moment = resolve_moment(text, DEALER.zone)
    assert moment.tzinfo is not None
    assert moment.timestamp() == moment.timestamp()


def read_file(content: bytes) -> None:
    """Read a file to its end, and what was refused of it again."""
    with opened(content) as sheet:
        records = Reader(sheet, DEALER).records()
        refused = [record for record in records if record.reasons]
        rejects = rejects_of(sheet, refused)
    for record in records:
        if not record.reasons:
            assert record.said.sensor
            assert record.said.performed_at
            assert all(math.isfinite(p.load) and math.isfinite(p.reading) for p in record.points)
    if refused:
        out = io.StringIO()
        writer = csv.writer(out)
        writer.writerow(rejects.columns)
        writer.writerows(rejects.rows)
        try:
            with opened(out.getvalue().encode()) as sheet:
                again = Reader(sheet, DEALER).records()
        except Malformed as wrong:
            raise AssertionError(f"the refused rows cannot be read: {wrong}") from wrong
        assert again
        raise Refused("some of its records")


VARIANTS = 8  # of each input
_WIDE = {ord("0") + digit: 0xFF10 + digit for digit in range(10)}  # full-width digits
_BYTES = [b"", b",", b'"', b"\n", b"\r", b"\0", b"=", b"'", b"-", b"9" * 30, b"\xff", b"\xc3", b"\xef\xbb\xbf",
          b"<f>1</f>", b'<c r="ZZZ9"/>', b"<!DOCTYPE x>", b"&#0;", b"&x;", b"PK\x03\x04", b"PK\x05\x06"]  # fmt: skip
_Read = Callable[[Any], None]
_MANY = 50  # cells in one example of hypothesis
TARGETS: dict[str, tuple[Any, _Read, int]] = {
    "cells": (st.lists(CELLS, min_size=_MANY, max_size=_MANY), read_cell, _MANY),
    "units": (st.lists(TEXTS, min_size=_MANY, max_size=_MANY), read_unit, _MANY),
    "csv": (csv_files().map(lambda content: [content]), read_file, 1),
    "xlsx": (workbooks().map(lambda content: [content]), read_file, 1),
}


def variants(one: Any) -> list[Any]:
    """Return cheap changes of an input, the same ones for the same input each time."""
    if isinstance(one, bytes):
        chance = random.Random(zlib.crc32(one))
        return [_bitten(one, chance) for _ in range(VARIANTS)]
    text = one if isinstance(one, str) else values.shown(one)
    middle = len(text) // 2
    return [
        f"'{text}", f"{text}\u00a0", text.swapcase(), text[::-1], text + text, text[middle:],
        f"{text[:middle]}-{text[middle:]}", text.translate(_WIDE),
    ]  # fmt: skip


def _bitten(content: bytes, chance: random.Random) -> bytes:
    """Return bytes with one to four bites: taken out, put in, turned or said twice."""
    changed = bytearray(content)
    for _ in range(chance.randint(1, 4)):
        at, size = chance.randint(0, len(changed)), chance.choice((1, 1, 1, 2, 8, 64))
        how = chance.randint(0, 4)
        if how == 0:
            del changed[at : at + size]
        elif how == 1:
            changed[at:at] = chance.choice(_BYTES)
        elif how == 2 and at < len(changed):
            changed[at] ^= 1 << chance.randint(0, 7)
        elif how == 3:
            changed[at:at] = changed[max(0, at - size) : at]
        else:
            changed[at : at + 1] = chance.choice(_BYTES)
    return bytes(changed)


def fuzz(kind: str, inputs: int, *, number: int = 1) -> Tally:
    """Send at least so many inputs of one kind."""
    strategy, read, at_once = TARGETS[kind]
    at_once *= 1 + VARIANTS
    tally = Tally()

    @seed(number)
    @settings(
        max_examples=max(1, -(-inputs // at_once)), database=None, deadline=None,
        phases=[Phase.generate], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(strategy)
    def send(several: list[Any]) -> None:
        for one in several:
            for variant in (one, *variants(one)):
                with tally.of(variant):
                    read(variant)

    send()
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    tallies, begun = {}, time.perf_counter()
    for kind, share in SHARES.items():
        tallies[kind] = tally = Tally()
        wanted, turn = math.ceil(asked.inputs * share), asked.seed
        while tally.inputs < wanted:  # hypothesis stops where it has seen everything it can make
            more = fuzz(kind, min(wanted - tally.inputs, 20_000), number=turn)
            turn += 1000
            tally.inputs += more.inputs
            tally.refused += more.refused
            tally.accepted += more.accepted
            tally.crashes += more.crashes
            tally.kinds += more.kinds
        print(f"{kind}: {tally.inputs:,} inputs, {tally.accepted:,} taken, {tally.refused:,} refused, "
              f"{sum(tally.kinds.values())} crashes", flush=True)  # fmt: skip
        for crash in tally.crashes[:20]:
            print("  ", crash[:400])
    print(json.dumps({
        "inputs": sum(tally.inputs for tally in tallies.values()),
        "crashes": sum(sum(tally.kinds.values()) for tally in tallies.values()),
        "seconds": round(time.perf_counter() - begun, 1),
        "by_kind": {kind: {"inputs": tally.inputs, "taken": tally.accepted, "refused": tally.refused}
                    for kind, tally in tallies.items()},
    }))  # fmt: skip


if __name__ == "__main__":
    main()
