"""In which order the records of a file are stored."""

from collections.abc import Iterator, Sequence
from uuid import UUID

from calibration.importing.rows import FileRecord
from calibration.record_file import record_uuid


def in_order(records: Sequence[FileRecord], code: str) -> Iterator[FileRecord]:
    """Yield records by time; one that is superseded comes before the one that supersedes it.

    Records that supersede each other in a ring get a reason each.
    """
    if not any(record.said.supersedes for record in records):
        yield from sorted(records, key=_when)
        return
    by_key = {record.key: record for record in records}
    placed: set[UUID] = set()
    for record in sorted(records, key=_when):
        chain: dict[UUID, FileRecord] = {}
        current: FileRecord | None = record
        while current is not None and current.key not in placed and current.key not in chain:
            chain[current.key] = current
            earlier = current.said.supersedes
            current = by_key.get(record_uuid(earlier, dealer_code=code)) if earlier else None
        if current is not None and current.key in chain:
            current.refuse(
                "supersedes", "Records supersede each other in a ring", "an earlier one"
            )
        placed.update(chain)
        yield from reversed(chain.values())


def _when(record: FileRecord) -> tuple[float, int]:
    when = record.said.performed_at
    return (when.timestamp() if when else 0.0, record.rows[0])
