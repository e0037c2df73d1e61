"""CSV: bounded lines, strict UTF-8, strict quoting; a place for everything that is wrong."""

import csv
from collections.abc import Iterator
from typing import BinaryIO

from calibration.importing.source import Cell, Row, refuse
from fleet.errors import Malformed

MAX_LINE = 64 * 2**10
MAX_ROW = 128 * 2**10  # a row may go over several lines inside quotes
_BLOCK = 2**14
_BOM = b"\xef\xbb\xbf"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
SAVE_AS = "UTF-8, with or without a byte order mark"


class _Lines:
    """The lines of a file, decoded one by one; never holds much more than one line's bound."""

    def __init__(self, stream: BinaryIO) -> None:
        self.stream = stream
        self.number = 0
        self.in_row = 0

    def __iter__(self) -> Iterator[str]:
        # Local names and no calls for a line that is as it should be: a file has 300,000.
        for raw in self._raw():
            self.number += 1
            self.in_row += len(raw)
            if len(raw) > MAX_LINE or self.in_row > MAX_ROW:
                raise self._too_long(len(raw))
            try:
                text = raw.decode()
            except UnicodeDecodeError:
                text = self._decoded(raw)
            yield self._decoded(raw) if "\0" in text else text

    def _raw(self) -> Iterator[bytes]:
        """Yield the lines as they stand; of one that is too long, enough to tell."""
        rest = self.stream.read(_BLOCK)
        rest = _without_mark(rest)
        while rest:
            lines = rest.split(b"\n")
            rest = lines.pop()
            for line in lines:
                yield line + b"\n"
            if len(rest) > MAX_LINE:
                break
            block = self.stream.read(_BLOCK)
            if not block:
                break
            rest += block
        if rest:
            yield rest

    def _too_long(self, size: int) -> Malformed:
        if size > MAX_LINE:
            return refuse(
                f"line {self.number}",
                f"The line is longer than {MAX_LINE:,} bytes",
                "one point per line; a quote that is opened and never closed looks like this, too",
            )
        return refuse(
            f"line {self.number}",
            f"A row that goes over several lines exceeds {MAX_ROW:,} bytes",
            "a quote that is closed",
        )

    def _decoded(self, raw: bytes) -> str:
        nul = raw.find(b"\0")
        if nul >= 0:
            raise refuse(f"line {self.number}, byte {nul + 1}", "There is a NUL byte", "text only")
        try:
            return raw.decode("utf-8")
        except UnicodeDecodeError as wrong:
            byte = raw[wrong.start]
            raise refuse(
                f"line {self.number}, byte {wrong.start + 1}",
                f"The byte 0x{byte:02X} is not UTF-8 (in Latin-1 it would be {chr(byte)!r})",
                SAVE_AS,
            ) from wrong


def _without_mark(raw: bytes) -> bytes:
    if raw.startswith(_UTF16):
        raise refuse("line 1, byte 1", "The file is written in UTF-16", SAVE_AS)
    return raw.removeprefix(_BOM)


class Delimited:
    """The rows of a CSV file."""

    def __init__(self, stream: BinaryIO) -> None:
        self.stream = stream

    def close(self) -> None:
        """Do nothing: the stream is the caller's."""

    def rows(self) -> Iterator[Row]:
        """Yield row number and cells.

        Raises
        ------
        Malformed
            Where the bytes are not UTF-8, a line has no end, or the quotes do not match.
        """
        self.stream.seek(0)
        lines = _Lines(self.stream)
        reader = csv.reader(iter(lines), strict=True)
        number = 0
        while True:
            number, begins, lines.in_row = number + 1, lines.number + 1, 0
            try:
                cells: list[Cell] = [*next(reader)]
            except StopIteration:
                return
            except csv.Error as wrong:
                raise refuse(
                    f"row {number}, from line {begins} on",
                    f"The quotes do not match: {wrong}",
                    'a cell with a comma in quotes, a quote in it written twice: "a ""b"""',
                ) from wrong
            yield number, cells
