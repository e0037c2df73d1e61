"""The refused rows of a file, as they stood in it, to be corrected and loaded again."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime

from calibration.importing.header import Sheet
from calibration.importing.result import Rejects
from calibration.importing.rows import FileRecord
from calibration.importing.source import Cell
from calibration.importing.values import is_number, shown
from calibration.record_file import REFUSED_BECAUSE, escape


def rejects_of(sheet: Sheet, refused: Sequence[FileRecord]) -> Rejects:
    """Read the file again and return the rows of its refused records."""
    kept = [name for name in sheet.columns if name != REFUSED_BECAUSE]
    if not refused:
        return Rejects((*kept, REFUSED_BECAUSE))
    because = _because(refused)
    at = [sheet.place[name] for name in kept]
    rows = [
        [*(_raw(cells[place]) for place in at), escape(because[number])]
        for number, cells in sheet.rows()
        if number in because
    ]
    return Rejects((*kept, REFUSED_BECAUSE), rows)


def _because(refused: Sequence[FileRecord]) -> dict[int, str]:
    """Return row to reason; a row that is good itself points to those that are not."""
    found: dict[int, list[str]] = defaultdict(list)
    for record in refused:
        bad = sorted({reason.row for reason in record.reasons})
        for reason in record.reasons:
            found[reason.row].append(f"{reason.column}: {reason.reason}".removeprefix(": "))
        for row in set(record.rows) - set(bad):
            found[row].append(f"its record is refused, see row {bad[0]}")
    return {row: " ".join(said) for row, said in found.items()}


def _raw(cell: Cell) -> str:
    text = cell.isoformat() if isinstance(cell, datetime | date) else shown(cell)
    return text if is_number(text) else escape(text)
