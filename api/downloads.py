"""Answers that are files: documents, and exports of any list, streamed in bounded memory."""

import csv
import json
import re
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any
from uuid import UUID

from django.http import FileResponse, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase

from api.rendering import Csv, Ndjson, Ready, Xlsx

# A spreadsheet takes a cell that begins so for a formula.
FORMULA = ("=", "+", "-", "@", "\t", "\r")
# What XML 1.0 (2.2) has no character for; a workbook has it by number (ECMA-376-1, 22.9.2.19).
_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
Row = Mapping[str, Any]


def download(content: bytes, form: type[Ready], name: str) -> HttpResponse:
    """Return a document that a browser may show."""
    return HttpResponse(content, content_type=form.media_type, headers=_named(name, form))


def export(rows: Iterable[Row], columns: Sequence[str], form: str, name: str) -> HttpResponseBase:
    """Return rows as CSV, XLSX or NDJSON."""
    if form == Ndjson.format:
        return _stream((f"{json.dumps(row, default=str)}\n" for row in rows), Ndjson, name)
    table = ([harmless(cell(row, column)) for column in columns] for row in rows)
    if form == Xlsx.format:
        return _workbook(columns, table, name)
    return _stream(_lines([list(columns)], table), Csv, name)


def cell(row: Row, column: str) -> Any:
    """Return what stands under a dotted column of a nested row; a list or a yes as JSON."""
    value: Any = row
    for step in column.split("."):
        value = value.get(step) if isinstance(value, Mapping) else None
    if isinstance(value, UUID):
        return str(value)
    structured = isinstance(value, bool | list | dict)
    return json.dumps(value, default=str) if structured else value


def harmless(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula: such text gets a ' before it."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value


class _Echo:
    """A file that hands back what is written to it."""

    def write(self, text: str) -> str:
        return text


def _lines(*tables: Iterable[Sequence[Any]]) -> Iterator[str]:
    writer = csv.writer(_Echo())
    for table in tables:
        for row in table:
            yield writer.writerow(row)


def _stream(lines: Iterator[str], form: type[Ready], name: str) -> StreamingHttpResponse:
    content_type = f"{form.media_type}; charset=utf-8"
    return StreamingHttpResponse(
        (line.encode() for line in lines), content_type=content_type, headers=_named(name, form)
    )


def _workbook(columns: Sequence[str], table: Iterable[Sequence[Any]], name: str) -> FileResponse:
    """Return a workbook; its rows are written to disk as they come."""
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet(name[:31])
    sheet.append(list(columns))
    for row in table:
        sheet.append([_kept(value) for value in row])
    file = tempfile.TemporaryFile()  # noqa: SIM115 - the answer closes it when it is sent
    book.save(file)
    file.seek(0)
    return FileResponse(file, content_type=Xlsx.media_type, headers=_named(name, Xlsx))


def _kept(value: Any) -> Any:
    """Return a cell with what XML cannot hold written as a workbook names it: `_x000B_`."""
    if not isinstance(value, str):
        return value
    return _NOT_XML.sub(lambda found: f"_x{ord(found[0]):04X}_", value)


def _named(name: str, form: type[Ready]) -> dict[str, str]:
    shown = "attachment" if form in {Csv, Xlsx, Ndjson} else "inline"
    return {"Content-Disposition": f'{shown}; filename="{name}.{form.format}"'}
