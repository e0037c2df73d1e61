"""A record file that cannot be read: refused whole, with the place named; never read unbounded."""

import contextlib
import io
import struct
import zipfile
from datetime import date, datetime

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from calibration.importing import delimited, package, source
from calibration.importing.header import opened
from calibration.importing.rows import Reader
from calibration.record_file import COLUMNS
from fleet.errors import Malformed
from fleet.models import Dealer
from tests.calibration.record_files import as_csv, as_xlsx, record

NORTH = Dealer(code="NORTH", timezone="Europe/Warsaw")


def read(content):
    with opened(content) as sheet:
        return Reader(sheet, NORTH).records()


def refusal(content) -> str:
    with pytest.raises(Malformed) as caught:
        read(content)
    return str(caught.value)


# ── CSV ──────────────────────────────────────────────────────────────────────


def test_columns_stand_in_any_order():
    (one,) = read(as_csv(record(), columns=sorted(COLUMNS, reverse=True)))
    assert not one.reasons
    assert [(point.load, point.reading) for point in one.points] == [(0, 20000), (100, 30000)]


def test_a_byte_order_mark_is_no_part_of_the_header():
    (one,) = read(b"\xef\xbb\xbf" + as_csv(record()))
    assert (one.name, one.reasons) == ("one", [])


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ([name for name in COLUMNS if name != "reading"], "Column reading is missing"),
        ([*COLUMNS, "colour"], "Column 'colour' is unknown"),
        ([*COLUMNS, "load"], "Column load comes 2 times"),
        (["Lade" if name == "load" else name for name in COLUMNS], "Column 'Lade' is unknown"),
        (["Sensor" if name == "sensor" else name for name in COLUMNS], "(is it sensor?)"),
    ],
)
def test_a_wrong_header_is_refused_with_the_column(columns, said):
    text = refusal((",".join(columns) + "\r\n").encode())
    assert said in text
    assert "row 1 (the header)" in text
    assert "record_id, customer, machine" in text  # what would be accepted


def test_every_wrong_column_is_named():
    columns = ["Datensatz", "Kunde", *COLUMNS[2:]]
    text = refusal(",".join(columns).encode())
    for said in ("'Datensatz'", "'Kunde'", "record_id is missing", "customer is missing"):
        assert said in text


def test_semicolons_are_no_commas():
    assert "separated by ';'" in refusal(as_csv(record()).replace(b",", b";"))


def test_latin_1_is_refused_with_line_and_byte():
    content = as_csv(record(technician="Jos\N{LATIN SMALL LETTER E WITH ACUTE}"))
    text = refusal(content.decode().encode("latin-1"))
    line = content.split(b"\r\n")[1]
    assert f"line 2, byte {line.index(b'Jos') + 4}" in text
    assert "0xE9 is not UTF-8" in text
    assert "Accepted: UTF-8" in text


def test_utf_16_and_nul_bytes_are_refused():
    assert "UTF-16" in refusal(as_csv(record()).decode().encode("utf-16"))
    assert "line 2, byte 3: There is a NUL byte" in refusal(as_csv(record(record_id="on\0e")))


class _Watched(io.BytesIO):
    """A stream that counts what is read from it."""

    taken = 0

    def read(self, size=-1):
        return self._counted(super().read(size))

    def readline(self, size=-1):
        return self._counted(super().readline(size))

    def _counted(self, got):
        self.taken += len(got)
        return got


def test_a_line_without_end_is_not_read_to_its_end():
    stream = _Watched(as_csv(record()) + b"x" * 20 * 2**20)
    assert f"line 4: The line is longer than {delimited.MAX_LINE:,} bytes" in refusal(stream)
    assert stream.taken < 3 * delimited.MAX_LINE


def test_a_200_mb_line_is_refused_unread(tmp_path):
    path = tmp_path / "line.csv"
    with path.open("wb") as out:
        out.truncate(200 * 2**20)  # sparse: it takes no room on disk
    with path.open("rb") as stream:
        assert "209,715,200 bytes" in refusal(stream)


def test_a_row_over_many_lines_is_bounded():
    content = as_csv(record()) + b'"a\n",' * 40_000
    assert f"exceeds {delimited.MAX_ROW:,} bytes" in refusal(content)


@pytest.mark.parametrize("tail", [b'x,"never closed\r\nand on\r\n', b'x,"closed"but not,\r\n'])
def test_quotes_that_do_not_match_are_refused_with_their_line(tail):
    assert "row 4, from line 4 on: The quotes do not match" in refusal(as_csv(record()) + tail)


@pytest.mark.parametrize("change", [b",surplus", b""])
def test_a_row_of_another_width_is_refused(change):
    lines = as_csv(record()).split(b"\r\n")
    lines[2] = lines[2] + change if change else lines[2].rsplit(b",", 1)[0]
    text = refusal(b"\r\n".join(lines))
    assert f"row 3: The row has {len(COLUMNS) + (1 if change else -1)} cells" in text


def test_blank_rows_are_skipped_and_counted():
    lines = as_csv(record()).split(b"\r\n")
    blank = b"," * (len(COLUMNS) - 1)
    (one,) = read(b"\r\n".join([lines[0], blank, b"", lines[1], blank, lines[2], b"", b""]))
    assert one.rows == [4, 6]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "The file is empty"),
        (b"\r\n \r\n", "is unknown"),
        (b"\r\n\r\n", "no header"),
        (b"%PDF-1.7 ...", "This is a PDF"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "old .xls workbook, or one"),
        (b"PK\x03\x04 and then nothing", "cannot be unpacked"),
    ],
)  # fmt: skip
def test_what_is_no_record_file_is_refused(content, said):
    assert said in refusal(content)


def test_a_file_beyond_the_bound_is_refused(monkeypatch):
    monkeypatch.setattr(source, "MAX_BYTES", 1000)
    assert "at most 1,000 bytes" in refusal(as_csv(record() * 10))


# ── XLSX ─────────────────────────────────────────────────────────────────────


def put(address, value):
    return lambda sheet: sheet.__setitem__(address, value)


def at(column: str) -> str:
    """Return the letter of a column."""
    return chr(ord("A") + COLUMNS.index(column))


def test_a_workbook_says_the_same_as_a_csv():
    typed = {"temperature_c": 11.5, "hydraulic_pressure": 0}
    (book,), (plain,) = read(as_xlsx(record(**typed))), read(as_csv(record(**typed)))
    assert book.said == plain.said
    assert (book.key, book.points, book.reasons) == (plain.key, plain.points, [])


def test_the_content_tells_the_kind_and_not_the_name():
    """`load_file` takes the name for its result only: a CSV named .xlsx loads, and the reverse."""
    for content in (as_csv(record()), as_xlsx(record())):
        (one,) = read(content)
        assert not one.reasons


def test_native_cells_become_what_they_stand_for():
    when = datetime(2026, 3, 10, 9, 0)  # noqa: DTZ001 - spreadsheets know no zones
    (one,) = read(as_xlsx(record(sensor=4063, performed_at=when, technician=7.5, lot=12)))
    assert not one.reasons
    assert (one.said.sensor, one.said.technician, one.said.lot) == ("4063", "7.5", "12")
    assert one.said.performed_at.isoformat() == "2026-03-10T09:00:00+01:00"


@pytest.mark.parametrize(
    ("changes", "column", "said"),
    [
        ({"sensor": True}, "sensor", "TRUE/FALSE"),
        ({"temperature_c": True}, "temperature_c", "TRUE/FALSE"),
        ({"lot": date(2026, 3, 1)}, "lot", "a date or time"),
        ({"sensor": 1234567890123456789}, "sensor", "loses digits after the fifteenth"),
    ],
)
def test_a_native_cell_that_cannot_be_meant_is_a_reason(changes, column, said):
    (one,) = read(as_xlsx(record(**changes)))
    assert {each.column for each in one.reasons} == {column}
    assert said in one.reasons[0].reason


@pytest.mark.parametrize("chunk", [2**20, 97])
def test_a_formula_is_refused_with_its_cell(monkeypatch, chunk):
    monkeypatch.setattr(package, "_CHUNK", chunk)  # 97: the cell is cut somewhere
    cell = f"{at('reading')}3"
    text = refusal(as_xlsx(record(), change=put(cell, "=1+1")))
    assert f"cell {cell}: The cell holds a formula" in text
    assert "paste it as values" in text


def test_an_error_value_is_refused_with_its_cell():
    def broken(sheet):
        sheet["V2"] = "#N/A"
        sheet["V2"].data_type = "e"

    assert "cell V2: The cell holds an error value" in refusal(as_xlsx(record(), change=broken))


def test_formulas_on_other_sheets_do_not_matter():
    def second(sheet):
        sheet.parent.create_sheet("sums")["A1"] = "=1+1"

    assert len(read(as_xlsx(record(), change=second))) == 1


def test_a_sheet_that_claims_a_million_rows_is_not_laid_out():
    text = refusal(as_xlsx(record(), change=put("V1048576", "far")))
    assert "nearly empty" in text
    assert "column 16384" in refusal(as_xlsx(record(), change=put("XFD2", "far")))


def rebuilt(content: bytes, *, change=None, add=()) -> bytes:
    """Return a workbook with its parts changed: `change(name, bytes)` or further (name, bytes)."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            part = old.read(name)
            part = change(name, part) if change else part
            if part is not None:
                new.writestr(name, part)
        for name, part in add:
            new.writestr(name, part)
    return out.getvalue()


def in_sheet(old: bytes, new: bytes):
    return lambda name, part: part.replace(old, new) if name.endswith("sheet1.xml") else part


def test_a_zip_bomb_is_refused_before_it_is_unpacked():
    bomb = rebuilt(as_xlsx(record()), add=[("xl/media/bomb.bin", b"\0" * 50 * 2**20)])
    assert len(bomb) < 200_000
    assert "like a zip bomb" in refusal(bomb)


def test_a_workbook_beyond_the_bound_is_refused(monkeypatch):
    monkeypatch.setattr(package, "MAX_UNPACKED", 10_000)
    assert "at most 10,000 bytes" in refusal(as_xlsx(record()))


def test_a_size_that_lies_is_found(monkeypatch):
    """The directory says that the sheet is short; what is packed goes on. The check sum tells."""
    content = bytearray(as_xlsx(record()))
    at_entry = content.index(b"PK\x01\x02")
    while not content[at_entry + 46 :].startswith(b"xl/worksheets/sheet1.xml"):
        at_entry = content.index(b"PK\x01\x02", at_entry + 1)
    content[at_entry + 24 : at_entry + 28] = struct.pack("<I", 50)
    assert "cannot be unpacked" in refusal(bytes(content))


def test_a_locked_workbook_is_refused():
    content = bytearray(as_xlsx(record()))
    at_entry = content.index(b"PK\x01\x02")
    content[at_entry + 8] |= 1
    assert "locked with a password" in refusal(bytes(content))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda name, part: None if name == package.WORKBOOK else part, "not an XLSX workbook"),
        (in_sheet(b"</sheetData>", b"<oops"), "cannot be read"),
        (in_sheet(b'<c r="A2"', b"<c"), "carry no address"),
        (in_sheet(b"<sheetData>", b"<!DOCTYPE a [<!ENTITY b 'c'>]><sheetData>"), "entities"),
        (lambda name, part: b"<a" if name == package.WORKBOOK else part, "not well-formed"),
        (
            lambda name, part: (
                b"<!DOCTYPE a [<!ENTITY b 'c'>]><a/>" if name == package.WORKBOOK else part
            ),
            "entities",
        ),
        (
            lambda name, part: (
                part.decode().encode("utf-16") if name.endswith("sheet1.xml") else part
            ),
            "not written in UTF-8",
        ),
    ],
)
def test_a_broken_workbook_is_refused(change, said):
    assert said in refusal(rebuilt(as_xlsx(record()), change=change))


def test_a_part_that_comes_twice_is_refused():
    with pytest.warns(UserWarning, match="Duplicate name"):
        content = rebuilt(as_xlsx(record()), add=[("xl/worksheets/sheet1.xml", b"<a/>")])
    assert "named twice" in refusal(content)


# ── Anything at all ──────────────────────────────────────────────────────────

SOUND_CSV, SOUND_XLSX = as_csv(record()), as_xlsx(record())
ANYTHING = settings(deadline=None, max_examples=150, suppress_health_check=list(HealthCheck))


def survives(content: bytes) -> None:
    """Read a file; the only thing that may be raised is Malformed."""
    with contextlib.suppress(Malformed):
        read(content)


@ANYTHING
@given(st.binary(max_size=400))
@example(b"PK\x05\x06" + b"\0" * 18)
@example(b"\xef\xbb\xbf")
def test_arbitrary_bytes_raise_nothing_but_malformed(content):
    survives(content)


@ANYTHING
@given(st.binary(max_size=300))
def test_arbitrary_rows_under_a_sound_header_raise_nothing_but_malformed(content):
    survives(SOUND_CSV.split(b"\r\n")[0] + b"\r\n" + content)


@ANYTHING
@given(
    st.lists(
        st.lists(st.text(max_size=30), min_size=len(COLUMNS), max_size=len(COLUMNS)), max_size=3
    )
)
def test_arbitrary_cells_are_refused_or_read(cells):
    survives(as_csv([dict(zip(COLUMNS, row, strict=True)) for row in cells]))


@ANYTHING
@given(st.integers(0, len(SOUND_XLSX) - 1), st.binary(min_size=1, max_size=8), st.booleans())
def test_a_damaged_workbook_raises_nothing_but_malformed(place, damage, cut):
    content = SOUND_XLSX[:place] + damage + (b"" if cut else SOUND_XLSX[place + len(damage) :])
    survives(content)


@ANYTHING
@given(
    st.sampled_from(["xl/worksheets/sheet1.xml", "xl/workbook.xml", "xl/styles.xml",
                     "xl/_rels/workbook.xml.rels"]),
    st.floats(0, 1), st.binary(min_size=1, max_size=12),
)  # fmt: skip
def test_a_damaged_part_raises_nothing_but_malformed(which, place, damage):
    """Deeper than the packing: the reader of spreadsheets itself meets nonsense."""

    def spoilt(name, part):
        cut = int(place * len(part))
        return part[:cut] + damage + part[cut + len(damage) :] if name == which else part

    survives(rebuilt(SOUND_XLSX, change=spoilt))
