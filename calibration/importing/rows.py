"""Rows to records: the rows of one `record_id` come together, wherever they stand."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from operator import itemgetter
from typing import Any, NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

from calibration.importing import reasons, values
from calibration.importing.header import Sheet
from calibration.importing.reasons import RowReason
from calibration.importing.source import Cell, refuse
from calibration.importing.values import Refused, shown
from calibration.record_file import OF_A_POINT, record_uuid
from calibration.records import PointDraft, resolve_moment
from fleet.errors import Invalid
from fleet.models import Dealer

MAX_RECORDS = 400_000
MAX_POINTS = 1_000  # more than a calibration may have: it is refused, and does not fill the memory
CACHED = frozenset(values.READERS) - {"performed_at", "note", "supersedes"}
_TELL = 2_000  # rows
_KEPT = 20_000  # different cells of a column


class Said(NamedTuple):
    """What a record's rows say of the whole record; the columns of the file, typed."""

    customer: str
    machine: str
    machine_model: str
    position: str
    sensor: str
    sensor_model: str
    lot: str
    performed_at: datetime | None
    technician: str
    reason: str
    stage: str
    reference: str
    load_unit: str
    reading_unit: str
    temperature_c: float | None
    hydraulic_pressure: float | None
    pressure_unit: str
    note: str
    supersedes: str
    supersede_reason: str
    installed_on: date | None
    removed_on: date | None
    tag_zero_reading: float | None
    tag_span_reading: float | None
    tag_span_load: float | None
    tag_load_unit: str


@dataclass(slots=True, eq=False)
class FileRecord:
    """One calibration as the file gives it.

    Attributes
    ----------
    key
        The record's UUID.
    name
        The `record_id` as it stands in the file.
    rows
        Every row that says something of it.
    points, point_rows
        The points that can be read, and their rows.
    reasons
        Why it cannot be stored; empty while nothing speaks against it.
    """

    key: UUID
    name: str
    said: Said
    rows: list[int] = field(default_factory=list)
    points: list[PointDraft] = field(default_factory=list)
    point_rows: list[int] = field(default_factory=list)
    reasons: list[RowReason] = field(default_factory=list)

    @property
    def unreadable(self) -> set[str]:
        """The columns that hold something else than they should."""
        return {reason.column for reason in self.reasons}

    def refuse(
        self, column: str, reason: str, accepted: str = "", *, value: str = "", row: int = 0
    ) -> None:
        """Add a reason to refuse it."""
        why = reasons.said(reason, accepted)
        self.reasons.append(RowReason(row or self.rows[0], self.name, column, value[:80], why))


class _Draft:
    """A record while its rows are still coming in: raw cells, and what they were read as."""

    __slots__ = ("raw", "read", "record")

    def __init__(self, raw: tuple[Cell, ...], read: list[Any], record: FileRecord) -> None:
        self.raw, self.read, self.record = raw, read, record


class Reader:
    """Reads a sheet's rows into records."""

    def __init__(
        self, sheet: Sheet, dealer: Dealer, *, read: Callable[[int], None] | None = None
    ) -> None:
        self.sheet, self.code, self.zone, self.read = sheet, dealer.code, dealer.zone, read
        self.columns = [name for name in values.READERS if name in sheet.place]
        self._pick: Callable[[Sequence[Cell]], tuple[Cell, ...]] = itemgetter(
            *(sheet.place[name] for name in self.columns)
        )
        self._cache: list[dict[Cell, tuple[Cell, Any]]] = [{} for _ in self.columns]
        self._measured = itemgetter(*(sheet.place[name] for name in OF_A_POINT))
        self._blank = ("",) * len(self.columns)
        # For each column of `Said`: where its value is read, and what it is where it is blank.
        at = {name: place for place, name in enumerate(self.columns)}
        self._said_at = [(at.get(name, -1), _BLANK[name]) for name in Said._fields]
        self._drafts: dict[UUID, _Draft] = {}
        self._named: dict[str, _Draft] = {}  # the cell as it stands, to find its record fast
        self._nameless: list[FileRecord] = []
        self._reasons = 0

    def records(self) -> list[FileRecord]:
        """Return every record of the file in order of appearance, good and bad.

        Raises
        ------
        Malformed
            Where the file cannot be read to its end.
        """
        for number, cells in self.sheet.rows():
            self._take(number, cells)
            if self.read and not number % _TELL:
                self.read(number)
            if len(self._drafts) + len(self._nameless) > MAX_RECORDS:
                raise refuse(
                    f"row {number}",
                    f"The file has more than {MAX_RECORDS:,} records",
                    "several smaller files",
                )
        found = [*self._nameless]
        for draft in self._drafts.values():
            self._finish(draft)
            draft.raw, draft.read = (), []  # not needed any more, and there are many
            found.append(draft.record)
        self._drafts.clear()
        self._named.clear()
        return found

    def _take(self, number: int, cells: list[Cell]) -> None:
        draft = self._draft(number, cells[self.sheet.place["record_id"]])
        if draft is None:
            return
        raw = self._pick(cells)
        before = len(draft.record.reasons)
        draft.record.rows.append(number)
        if draft.raw != raw:
            self._merge(draft, number, raw)
        self._point(draft.record, number, cells)
        self._count(draft.record, before)

    def _draft(self, number: int, cell: Cell) -> _Draft | None:
        """Return the record that a cell names, a new one where it is named first."""
        if isinstance(cell, str) and cell in self._named:
            return self._named[cell]
        try:
            name = values.record_id(cell)
        except Refused as wrong:
            nameless = FileRecord(UUID(int=number), shown(cell)[:80], _NOTHING, [number])
            nameless.refuse("record_id", wrong.reason, wrong.accepted, value=shown(cell))
            self._nameless.append(nameless)
            self._count(nameless, 0)
            return None
        key = record_uuid(name, dealer_code=self.code)
        draft = self._drafts.get(key)
        if draft is None:
            draft = self._drafts[key] = self._begin(FileRecord(key, name, _NOTHING, []))
        if isinstance(cell, str):
            self._named[cell] = draft
        return draft

    def _begin(self, record: FileRecord) -> _Draft:
        return _Draft(self._blank, [None] * len(self.columns), record)

    def _merge(self, draft: _Draft, number: int, raw: Sequence[Cell]) -> None:
        """Take over what a row says of its record; a blank cell says what the others say."""
        kept = list(draft.raw)
        for at, cell in enumerate(raw):
            # A text is looked up first; a number has its type to be told from others by.
            known = self._cache[at].get(cell) if type(cell) is str else None
            if known and kept[at] == "":
                kept[at], draft.read[at] = known
                continue
            if cell in ("", kept[at]):
                continue
            column = self.columns[at]
            try:
                same, value = known or self._value(at, cell)
            except Refused as wrong:
                draft.record.refuse(
                    column, wrong.reason, wrong.accepted, value=shown(cell), row=number
                )
                continue
            if kept[at] == "":
                kept[at], draft.read[at] = same, value
            elif draft.read[at] != value:
                draft.record.refuse(
                    column,
                    f"Another row of the same record says {shown(kept[at])[:80]!r}",
                    "the same in every row of a record, or blank",
                    value=shown(cell),
                    row=number,
                )
        draft.raw = tuple(kept)

    def _value(self, at: int, cell: Cell) -> tuple[Cell, Any]:
        """Return a cell and what it says; the same text of many records is kept once."""
        column = self.columns[at]
        if column == "performed_at":
            return cell, _moment(values.moment(cell), self.zone)
        found = (cell, values.READERS[column](cell))
        if column in CACHED and type(cell) is str:
            if len(self._cache[at]) > _KEPT:
                self._cache[at].clear()
            self._cache[at][cell] = found
        return found

    def _point(self, record: FileRecord, number: int, cells: list[Cell]) -> None:
        load, reading, way = self._measured(cells)
        try:
            point = PointDraft(_needed(load), _needed(reading), values.DIRECTION(way) or "up")
        except Refused:
            self._refuse_point(record, number, (load, reading, way))
            return
        if len(record.points) <= MAX_POINTS:
            record.points.append(point)
            record.point_rows.append(number)

    def _refuse_point(self, record: FileRecord, number: int, cells: tuple[Cell, ...]) -> None:
        """Say of every cell of a point that cannot be read what is wrong with it."""
        readers = (_needed, _needed, values.DIRECTION)
        for column, read, cell in zip(OF_A_POINT, readers, cells, strict=True):
            try:
                read(cell)
            except Refused as wrong:
                record.refuse(column, wrong.reason, wrong.accepted, value=shown(cell), row=number)

    def _finish(self, draft: _Draft) -> None:
        record = draft.record
        before = len(record.reasons)
        read = draft.read
        record.said = said = Said(
            *[blank if at < 0 or read[at] is None else read[at] for at, blank in self._said_at]
        )
        for column, accepted in values.NEEDED.items():
            if not getattr(said, column) and column not in record.unreadable:
                record.refuse(column, "It is blank", accepted)
        blank: dict[str, Any] = {
            name: default for name, default in values.DEFAULTS.items() if not getattr(said, name)
        }
        if blank:
            record.said = said._replace(**blank)
        self._count(record, before)

    def _count(self, record: FileRecord, before: int) -> None:
        self._reasons += len(record.reasons) - before
        reasons.bounded(self._reasons, record.reasons[-3:])


# A column that nothing was said in: no text, or no value.
_TEXTS = frozenset(name for name, kind in Said.__annotations__.items() if kind is str)
_BLANK: dict[str, Any] = {name: "" if name in _TEXTS else None for name in values.READERS}


_NOTHING = Said(**_BLANK)


def _needed(cell: Cell) -> float:
    value = values.number(cell)
    if value is None:
        raise Refused("It is blank", values.NUMBER)
    return value


def _moment(written: str, zone: ZoneInfo) -> datetime:
    try:
        return resolve_moment(written, zone)
    except Invalid as wrong:
        problem = wrong.problems[0]
        raise Refused(problem.reason, problem.accepted) from wrong
