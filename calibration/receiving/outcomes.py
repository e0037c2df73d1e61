"""What became of a file's rows, as rows of a table: read a page at a time, however many."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

from django.db.models import Count

from calibration.importing import Outcome
from calibration.models import ImportRowOutcome, ImportRun

KINDS = ("customers", "machines", "sensors", "installations")
NAMES_KEPT = 20  # of what is new, per kind; the counts are whole
Stage = ImportRowOutcome.Stage
_ACCEPTED, _REFUSED = ImportRowOutcome.Outcome
_ALSO = "The record is refused as a whole, see row "


def store(run: ImportRun, stage: Stage, outcomes: Sequence[Outcome]) -> None:
    """Store what became of some records; a row that was told before keeps what it was told.

    So a record that an earlier attempt stored stays stored, though a later one finds it there.
    """
    ImportRowOutcome.objects.bulk_create(
        (line for outcome in outcomes for line in _lines(run, stage, outcome)),
        batch_size=2000,
        ignore_conflicts=stage == Stage.COMMIT,
    )


def forget(run: ImportRun, stage: Stage) -> None:
    """Drop what an earlier attempt told and a new one tells anew."""
    rows = ImportRowOutcome.objects.filter(run=run, stage=stage)
    (rows.filter(outcome=_REFUSED) if stage == Stage.COMMIT else rows).delete()


def counted(run: ImportRun, stage: Stage) -> dict[str, int]:
    """Return how many records there are, and what became of them."""
    rows = ImportRowOutcome.objects.filter(run=run, stage=stage).order_by()
    found = {
        (row["outcome"], row["already_there"]): row["records"]
        for row in rows.values("outcome", "already_there").annotate(
            records=Count("record", distinct=True)
        )
    }
    stored, there = found.get((_ACCEPTED, False), 0), found.get((_ACCEPTED, True), 0)
    refused = found.get((_REFUSED, False), 0)
    return {
        "records": stored + there + refused,
        "stored": stored,
        "already_there": there,
        "refused": refused,
    }


class Brought:
    """What records bring to the register: counts, and the first names of each kind."""

    def __init__(self, before: dict[str, Any] | None = None) -> None:
        before = before or {}
        self.counts: dict[str, int] = dict.fromkeys(KINDS, 0) | before.get("created", {})
        self.names: dict[str, list[str]] = {kind: [] for kind in KINDS} | before.get("names", {})
        self.changed: int = before.get("changed_count", 0)
        self.changes: list[str] = before.get("changed", [])

    def add(self, outcomes: Sequence[Outcome]) -> None:
        """Add what some records bring."""
        for outcome in outcomes:
            if outcome.kind != "stored":
                continue
            created: dict[str, list[str]] = {kind: [] for kind in KINDS}
            changed: list[str] = []
            outcome.changes.tell(created, changed)
            for kind, names in created.items():
                self.counts[kind] += len(names)
                self.names[kind] = (self.names[kind] + names)[:NAMES_KEPT]
            self.changed += len(changed)
            self.changes = (self.changes + changed)[:NAMES_KEPT]

    def to_dict(self) -> dict[str, Any]:
        """Return it for a JSON column."""
        return {
            "created": self.counts,
            "names": self.names,
            "changed_count": self.changed,
            "changed": self.changes,
        }


def _lines(run: ImportRun, stage: Stage, outcome: Outcome) -> Iterator[ImportRowOutcome]:
    record = outcome.record
    same = {"run": run, "stage": stage, "record": record.key, "record_id": record.name[:200]}
    if outcome.kind != "refused":
        there = outcome.kind == "already_there"
        for row in record.rows:
            yield ImportRowOutcome(**same, row=row, outcome=_ACCEPTED, already_there=there)
        return
    by_row = defaultdict(list)
    for reason in record.reasons:
        by_row[reason.row].append(reason)
    for row in sorted({*record.rows, *by_row}):
        line = {**same, "row": row, "outcome": _REFUSED}
        for number, reason in enumerate(by_row.get(row, ())):
            said, _, accepted = reason.reason.rpartition(" Accepted: ")
            yield ImportRowOutcome(
                **line,
                number=number,
                column=reason.column[:40],
                value=reason.value[:80],
                reason=said or accepted,
                accepted=accepted.rstrip(".") if said else "",
            )
        if row not in by_row:
            yield ImportRowOutcome(**line, reason=f"{_ALSO}{min(by_row)}.")
