"""XLSX: the first sheet's cells with their types."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO

from calibration.importing.package import plain_package
from calibration.importing.source import ACCEPTED, Row, refuse


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
        self.package = plain_package(stream)

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
            rows = load_workbook(self.package).get_sheet_by_index(0).iter_rows()
        for number, cells in enumerate(rows, start=1):  # blank rows are read too
            yield number, list(cells)
