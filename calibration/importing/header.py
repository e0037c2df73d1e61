"""The header: which column stands where."""

import difflib
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import BinaryIO

from calibration.importing.delimited import Delimited
from calibration.importing.source import Cell, Row, Table, as_stream, is_spreadsheet, refuse
from calibration.importing.spreadsheet import Spreadsheet
from calibration.record_file import COLUMNS, OPTIONAL, REFUSED_BECAUSE
from fleet.errors import Malformed, Problem

KNOWN = (*COLUMNS, *OPTIONAL, REFUSED_BECAUSE)
ORDER = "in any order"


@dataclass(frozen=True)
class Sheet:
    """A record file whose header is understood.

    Attributes
    ----------
    columns
        The header as it stands in the file.
    place
        Column name to its index in a row.
    """

    table: Table
    columns: tuple[str, ...]
    place: Mapping[str, int]

    def rows(self) -> Iterator[Row]:
        """Yield the rows under the header that are not blank, each as long as the header.

        Raises
        ------
        Malformed
            Where a row is longer or shorter than the header.
        """
        width = len(self.columns)
        rows = self.table.rows()
        next(row for row in rows if not _is_blank(row[1]))  # the header
        for number, cells in rows:
            if _is_blank(cells):
                continue
            if len(cells) != width:
                cells = _fitted(number, cells, width)  # noqa: PLW2901 - trailing blanks dropped
            yield number, cells


@contextmanager
def opened(content: bytes | BinaryIO) -> Iterator[Sheet]:
    """Open a file's table; its size, kind and header are found good.

    Raises
    ------
    Malformed
        With the place, what is wrong there and what would be accepted.
    """
    stream = as_stream(content)
    table: Table = Spreadsheet(stream) if is_spreadsheet(stream) else Delimited(stream)
    with closing(table):
        yield _understood(table)


def _is_blank(cells: list[Cell]) -> bool:
    return (not cells or cells[0] == "") and all(cell == "" for cell in cells)


def _understood(table: Table) -> Sheet:
    for number, cells in table.rows():
        if not _is_blank(cells):
            columns = _trimmed(cells)
            _check(number, columns)
            return Sheet(table, columns, {name: at for at, name in enumerate(columns)})
    raise refuse("", "The file has no header", f"a header with {', '.join(COLUMNS)}, {ORDER}")


def _trimmed(cells: list[Cell]) -> tuple[str, ...]:
    """Return the header's names without the blank cells at its end, which spreadsheets leave."""
    names = [str(cell) for cell in cells]
    while names and names[-1] == "":
        names.pop()
    return tuple(names)


def _fitted(number: int, cells: list[Cell], width: int) -> list[Cell]:
    while len(cells) > width and cells[-1] == "":
        cells = cells[:-1]
    if len(cells) != width:
        raise refuse(
            f"row {number}",
            f"The row has {len(cells)} cells, the header has {width}",
            f"{width} cells in every row; a cell with a comma in it stands in quotes",
        )
    return cells


def _check(number: int, columns: tuple[str, ...]) -> None:
    where = f"row {number} (the header)"
    if len(columns) == 1 and any(mark in columns[0] for mark in ";\t|"):
        mark = next(mark for mark in ";\t|" if mark in columns[0])
        raise refuse(where, f"The columns are separated by {mark!r}", "commas", columns[0])
    problems = [
        *(
            Problem(f"{where}, column {at}", f"Column {_named(name)} is unknown")
            for at, name in enumerate(columns, start=1)
            if name not in KNOWN
        ),
        *(Problem(where, f"Column {name} is missing") for name in COLUMNS if name not in columns),
        *(
            Problem(where, f"Column {name} comes {times} times", "once")
            for name, times in Counter(columns).items()
            if times > 1 and name in KNOWN
        ),
    ]
    if problems:
        accepted = f"{', '.join(COLUMNS)}, {ORDER}; where wanted also {', '.join(OPTIONAL)}"
        raise Malformed(*problems[:40], Problem(where, "This is not a record file's", accepted))


def _named(name: str) -> str:
    close = difflib.get_close_matches(name.strip().lower(), KNOWN, n=1, cutoff=0.8)
    hint = f" (is it {close[0]}?)" if close else ""
    return f"{name[:40]!r}{hint}"
