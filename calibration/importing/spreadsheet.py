"""XLSX: the first sheet's cells with their types."""

from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from typing import BinaryIO

from calibration.importing.package import plain_package
from calibration.importing.source import ACCEPTED, Cell, Row, refuse


@contextmanager
def _panics_refused() -> Iterator[None]:
    """Turn whatever the reader makes of a broken part into a refusal of the file."""
    from python_calamine import CalamineError

    try:
        yield
    except CalamineError as wrong:
        raise refuse("", f"The workbook cannot be read: {wrong}", ACCEPTED) from wrong
    except BaseException as wrong:
        # A panic of the reader's Rust code derives from BaseException and cannot be imported.
        if type(wrong).__name__ != "PanicException":
            raise
        raise refuse("", "The workbook is broken", ACCEPTED) from wrong


class Spreadsheet:
    """The rows of a workbook's first sheet; its parts are checked once, when it is opened."""

    def __init__(self, stream: BinaryIO) -> None:
        self.package, self.pieces = plain_package(stream)

    def close(self) -> None:
        """Let the unpacked parts go."""
        self.package.close()

    def rows(self) -> Iterator[Row]:
        """Yield row number and cells; an empty cell is an empty text.

        Raises
        ------
        Malformed
            Where the workbook's parts do not fit together.
        """
        from python_calamine import load_workbook

        self.package.seek(0)
        with _panics_refused():
            book = load_workbook(self.package)
        left: int | None = None  # the column where the table begins, and how wide it is there
        width = 0
        for piece in range(self.pieces):
            with _panics_refused():
                sheet = book.get_sheet_by_index(piece)
                first, column = sheet.start or (0, left or 0)
                rows = sheet.iter_rows()
            if left is None:
                left = column
            if column < left:
                raise refuse("", "Cells stand to the left of the table", "one table")
            # The reader yields the rows above a piece, too, as blank ones; columns it leaves out.
            # A column that is blank in all rows of a piece is no part of it.
            before: list[Cell] = [""] * (column - left)
            for number, cells in enumerate(islice(rows, first, None), start=first + 1):
                row = [*before, *cells]
                width = width or len(row)
                yield number, row + [""] * (width - len(row))
