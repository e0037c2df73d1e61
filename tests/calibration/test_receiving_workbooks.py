"""A long workbook is read in pieces: the same rows, as openpyxl reads them."""

import io
from datetime import datetime

import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from calibration.importing import pieces
from calibration.importing.spreadsheet import Spreadsheet

ROWS = 3000


def workbook(*, early: bool = False, shift: int = 0) -> bytes:
    book = openpyxl.Workbook()
    if early:
        book.epoch = CALENDAR_MAC_1904
    sheet = book.active
    sheet.append([None] * shift + ["record_id", "customer", "performed_at", "load", "note"])
    for number in range(ROWS):
        # Whole stretches of the first and of the last column are blank.
        name = f"r{number}" if not 1000 <= number < 2000 else None
        note = f"note {number}" if number < 500 else None
        when = datetime(2024, 3, 1 + number % 28, 8, 30)  # noqa: DTZ001 - a cell has no zone
        sheet.append([None] * shift + [name, "Höfe & Söhne <a>", when, number / 4, note])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def expected(content: bytes, shift: int) -> list[list[object]]:
    sheet = openpyxl.load_workbook(io.BytesIO(content)).active
    return [
        ["" if cell is None else cell for cell in row[shift:]]
        for row in sheet.iter_rows(values_only=True)
    ]


@pytest.mark.parametrize("size", [4_000, 20_000, 10**9])
@pytest.mark.parametrize(("early", "shift"), [(False, 0), (True, 0), (False, 2)])
def test_pieces_hold_the_same_rows_as_the_whole(monkeypatch, size, early, shift):
    monkeypatch.setattr(pieces, "PIECE", size)
    monkeypatch.setattr("calibration.importing.package._CHUNK", 3_000)
    content = workbook(early=early, shift=shift)
    table = Spreadsheet(io.BytesIO(content))
    assert (table.pieces > 5) is (size < 10**6)
    found = list(table.rows())
    assert [number for number, _ in found] == list(range(1, ROWS + 2))
    assert [cells for _, cells in found] == expected(content, shift)
    table.close()


def test_prefixes_and_what_cannot_be_cut():
    xml = b'<x:worksheet xmlns:x="m"><x:sheetData ><x:row/><x:row r="2"></x:row></x:sheetData>'
    [whole] = pieces.in_pieces(iter([xml]))
    assert whole == xml
    odd = b"<worksheet><sheetData/></worksheet>"
    assert list(pieces.in_pieces(iter([odd[:12], odd[12:]]))) == [odd]
