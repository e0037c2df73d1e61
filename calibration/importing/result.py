"""What came of a file: totals, what was created, and every reason for what was refused."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Self, TextIO

from calibration.importing.reasons import RowReason, said
from fleet.errors import Malformed

KINDS = ("customers", "machines", "sensors", "installations")


@dataclass(frozen=True)
class Rejects:
    """The refused rows as they stood in the file, with the reason in a column of its own."""

    columns: tuple[str, ...] = ()
    rows: Sequence[Sequence[str]] = ()

    def lines(self) -> Iterator[str]:
        """Yield them as lines of CSV; once corrected, it loads again (the reason is ignored)."""
        line = io.StringIO(newline="")
        writer = csv.writer(line, lineterminator="\r\n")
        for row in (self.columns, *self.rows):
            writer.writerow(row)
            yield line.getvalue()
            line.seek(0)
            line.truncate()

    def write(self, out: TextIO) -> None:
        """Write these lines."""
        out.writelines(self.lines())


@dataclass
class ImportResult:
    """The outcome of one file.

    Attributes
    ----------
    records, stored, already_there, refused
        How many records the file has, and what became of them.
    created
        Kind of row to the names that were created, in order.
    changed
        What else was changed in the register: sensors taken off, starts moved back.
    reasons
        Every reason of every refused record, in order of rows.
    rejects
        The refused rows.
    unjudged
        Serial and reason of each sensor whose records are stored but could not be judged; it
        stays marked for the next scan.
    dry_run
        Whether all of it was rolled back again.
    file_name
        What its sender calls it.
    """

    records: int = 0
    stored: int = 0
    already_there: int = 0
    refused: int = 0
    created: dict[str, list[str]] = field(default_factory=lambda: {kind: [] for kind in KINDS})
    changed: list[str] = field(default_factory=list)
    reasons: list[RowReason] = field(default_factory=list)
    rejects: Rejects = field(default_factory=Rejects)
    unjudged: list[str] = field(default_factory=list)
    dry_run: bool = False
    file_name: str = ""

    @classmethod
    def of_refused_file(cls, wrong: Malformed, file_name: str) -> Self:
        """Return the outcome of a file that was refused whole: no record, and why."""
        reasons = [
            RowReason(0, "", problem.field, problem.value, said(problem.reason, problem.accepted))
            for problem in wrong.problems
        ]
        return cls(reasons=reasons, file_name=file_name)

    def to_dict(self) -> dict[str, object]:
        """Return the object of `load_records --json`, with the names of what was created."""
        return {
            "records": self.records,
            "stored": self.stored,
            "already_there": self.already_there,
            "refused": self.refused,
            "created": {kind: len(names) for kind, names in self.created.items()},
            "reasons": [reason.to_dict() for reason in self.reasons],
            "created_names": self.created,
            "changed": self.changed,
            "unjudged": self.unjudged,
            "dry_run": self.dry_run,
        }

    def totals(self) -> str:
        """Return the totals as one line."""
        created = ", ".join(
            f"{len(names)} {kind if len(names) != 1 else kind.removesuffix('s')}"
            for kind, names in self.created.items()
        )
        tried = "dry run, nothing kept: " if self.dry_run else ""
        return (
            f"{tried}{self.records} records: {self.stored} stored, {self.already_there} already "
            f"there, {self.refused} refused; created {created}"
        )
