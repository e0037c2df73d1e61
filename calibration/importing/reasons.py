"""Why a record of the file was refused: row, column, value, and what would be accepted."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass

from calibration.importing.source import refuse
from fleet.errors import Problem

MAX_REASONS = 100_000


@dataclass(frozen=True, slots=True)
class RowReason:
    """One reason.

    Attributes
    ----------
    row
        Row of the file, the header counted.
    record_id
        As it stands in the file.
    column
        Its column; empty where no single column is to blame.
    value
        The cell as it stands in the file, shortened.
    reason
        What is wrong, and what would be accepted.
    """

    row: int
    record_id: str
    column: str
    value: str
    reason: str

    def __str__(self) -> str:
        """Return the line that a person reads."""
        column = f", column {self.column}" if self.column else ""
        shown = f" (got {self.value!r})" if self.value else ""
        return f"row {self.row}{column}, record {self.record_id or '(none)'}: {self.reason}{shown}"

    def to_dict(self) -> dict[str, object]:
        """Return it as an object for JSON."""
        return asdict(self)


def said(reason: str, accepted: str = "") -> str:
    """Return reason and remedy as one text."""
    return f"{reason.rstrip('.')}. Accepted: {accepted}." if accepted else f"{reason.rstrip('.')}."


def of_problem(problem: Problem, *, row: int, record_id: str, column: str) -> RowReason:
    """Return a service's problem as a reason of a row."""
    return RowReason(
        row, record_id, column, problem.value[:80], said(problem.reason, problem.accepted)
    )


def bounded(count: int, latest: Iterable[RowReason]) -> None:
    """Refuse a file that is wrong nearly everywhere, before its reasons fill the memory."""
    if count > MAX_REASONS:
        shown = "; ".join(str(reason) for reason in latest)
        raise refuse(
            "",
            f"More than {MAX_REASONS:,} reasons to refuse its rows, the last: {shown}",
            "a file whose records are mostly good",
        )
