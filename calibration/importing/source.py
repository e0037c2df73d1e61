"""The file as bytes: how large it may be, and whether it is a CSV or a spreadsheet by content."""

import io
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import BinaryIO, Protocol, TypeAlias

from fleet.errors import Malformed, Problem

MAX_BYTES = 100 * 2**20
ACCEPTED = "a CSV in UTF-8 with commas, or an XLSX workbook"

# What a cell may hold: a CSV has texts only, a spreadsheet the rest too.
Cell: TypeAlias = str | float | bool | datetime | date | time | timedelta
Row: TypeAlias = tuple[int, list[Cell]]

_OLE = b"\xd0\xcf\x11\xe0"
_OTHERS = {
    b"%PDF": "a PDF",
    b"\x1f\x8b": "a gzip archive",
    b"7z\xbc\xaf": "a 7z archive",
    b"Rar!": "a RAR archive",
    b"SQLite format 3": "a database",
    b"{\\rtf": "a text document (RTF)",
}


class Table(Protocol):
    """A file of rows; may be read more than once."""

    def rows(self) -> Iterator[Row]:
        """Yield each row with its number, counted from 1 as a spreadsheet does."""
        ...

    def close(self) -> None:
        """Give back what was opened to read it; the caller's own stream stays open."""
        ...


def refuse(where: str, reason: str, accepted: str = "", value: str = "") -> Malformed:
    """Return the refusal of a whole file, with the place named."""
    return Malformed(Problem(where, reason, accepted, value[:80]))


def as_stream(content: bytes | BinaryIO) -> BinaryIO:
    """Return the content as a seekable stream.

    Raises
    ------
    Malformed
        If it is empty, or larger than `MAX_BYTES`; it is not read to find out.
    """
    stream = io.BytesIO(content) if isinstance(content, bytes | bytearray) else content
    size = stream.seek(0, io.SEEK_END)
    stream.seek(0)
    if size == 0:
        raise refuse("", "The file is empty", ACCEPTED)
    if size > MAX_BYTES:
        raise refuse(
            "", f"The file has {size:,} bytes", f"at most {MAX_BYTES:,} bytes; split it by season"
        )
    return stream


def is_spreadsheet(stream: BinaryIO) -> bool:
    """Tell a workbook from a CSV by its first bytes, whatever its name says.

    Raises
    ------
    Malformed
        If it is something else that can be told by its first bytes.
    """
    stream.seek(0)
    head = stream.read(16)
    stream.seek(0)
    if head.startswith(_OLE):
        raise refuse(
            "", "This is an old .xls workbook, or one that is locked with a password", ACCEPTED
        )
    for mark, kind in _OTHERS.items():
        if head.startswith(mark):
            raise refuse("", f"This is {kind}", ACCEPTED)
    return head.startswith((b"PK\x03\x04", b"PK\x05\x06"))
