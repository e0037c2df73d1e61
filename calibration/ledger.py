"""Drafts into sealed rows: checked, numbered and chained in memory, written all at once.

What the drafts of a batch touch is read once, with their sensors locked: which ids are taken,
what is superseded already, where the sensors sat and how their chains end. A record of the batch
is known to those after it. One draft is a batch of one.
"""

from collections.abc import Callable, Sequence
from datetime import datetime
from operator import itemgetter
from typing import Any, NamedTuple, cast
from uuid import UUID

from django.db import DEFAULT_DB_ALIAS
from django.db.models import OuterRef, QuerySet, Subquery, prefetch_related_objects

from calibration import digests, readout
from calibration.contents import overtaken, points_in, said_in, says_the_same, taken
from calibration.digests import Content, Standing
from calibration.drafts import CalibrationDraft
from calibration.later import Rejudged
from calibration.models import Calibration, CalibrationPoint
from calibration.policies import Rulebook
from calibration.seats import STAY, Seat, Seats
from calibration.validating import check_draft, local_day
from fleet.errors import DomainError, Invalid, NotFound, Problem
from fleet.inserting import insert
from fleet.models import Sensor
from fleet.registry import require
from fleet.scope import Scope
from fleet.statements import Statement

ROW = tuple(field.attname for field in Calibration._meta.concrete_fields)
POINT = ("calibration_id", "number", "load", "reading", "direction")
_Point = tuple[float, float, str]
_OWN = (*Content._fields, "sensor_id", "dealer_id", "recorded_at", "recorded_by_id",
        "chain_number", "content_digest", "digest", "installation_id", "reference_id")  # fmt: skip
_in_order: Callable[[Sequence[Any]], tuple[Any, ...]] = itemgetter(*map(_OWN.index, ROW))
_INSTALLATION = ROW.index("installation_id")


class Sealed(NamedTuple):
    """A record as it was just sealed: its draft, where its sensor sat, its place in the chain."""

    id: UUID
    draft: CalibrationDraft
    seat: Seat | None
    chain_number: int

    @property
    def sensor_id(self) -> int:
        """The key of its sensor."""
        return self.draft.sensor.id

    @property
    def in_time(self) -> tuple[int, datetime, str, int]:
        """Its place among the records of all sensors."""
        return (self.sensor_id, self.draft.performed_at, self.draft.stage, self.chain_number)


class Recorded:
    """A stored calibration, and whether this call stored it.

    The calibration as an object is made when somebody asks for it: an import does not. `rejudged`
    are the later ones of its sensor, where whoever recorded it looks at them. `sealed` is there
    where this call stored it; then `judged_by` are the rules that it was judged by, and whether
    it `is_flagged` may be, where it was judged at once.
    """

    __slots__ = (
        "_calibration", "_row", "created", "is_flagged", "judged_by", "rejudged", "sealed",
    )  # fmt: skip

    def __init__(
        self,
        calibration: Calibration | None = None,
        *,
        created: bool,
        row: tuple[Any, ...] = (),
        sealed: Sealed | None = None,
    ) -> None:
        self.created = created
        self.rejudged: Sequence[Rejudged] = ()
        self.judged_by: Rulebook | None = None
        self.is_flagged = True
        self._calibration, self._row, self.sealed = calibration, row, sealed

    @property
    def calibration(self) -> Calibration:
        """The calibration, with what its draft knew beside it."""
        if self._calibration is None:
            assert self.sealed is not None
            self._calibration = _instance(self._row, self.sealed.draft)
        return self._calibration

    def answer(self, scope: Scope) -> dict[str, Any]:
        """Return the calibration's whole answer, once it is judged and committed."""
        if self.sealed is None:
            return readout.calibration_answer(self.calibration, scope)
        points = points_in(self.sealed.draft)
        known: dict[str, Any] = {"is_flagged": self.is_flagged, "book": self.judged_by}
        return readout.stored_answer(self.sealed.id, points, scope, **known)

    @property
    def id(self) -> UUID:
        """The key of the calibration."""
        return self.calibration.pk if self.sealed is None else self.sealed.id

    @property
    def installation_id(self) -> int | None:
        """Where its sensor was found to sit."""
        if self._calibration is None:
            return cast("int | None", self._row[_INSTALLATION])
        return self._calibration.installation_id


class Ledger:
    """The records of some sensors while a batch of drafts is entered; the sensors are locked."""

    def __init__(
        self, drafts: Sequence[CalibrationDraft], *, scope: Scope, now: datetime, by: int | None
    ) -> None:
        self.scope, self.now, self.by = scope, now, by
        sensors = {draft.sensor.id: draft.sensor for draft in drafts}
        prefetch_related_objects(
            list({id(draft.sensor): draft.sensor for draft in drafts}.values()), "model", "dealer"
        )
        self.seats, self.standing = _at_hand(list(sensors))
        meant = [
            row.supersedes.pk for row in drafts if row.supersedes and _is_to_be(row.supersedes)
        ]
        self.known = _known([*(draft.id for draft in drafts if draft.id), *meant])
        self.superseded = _superseded([row.supersedes for row in drafts if row.supersedes])
        self._allowed: set[int] = set()
        self.entered: dict[UUID, Recorded] = {}
        self._rows: list[tuple[Any, ...]] = []
        self._points: list[tuple[Any, ...]] = []

    def enter(self, draft: CalibrationDraft) -> Recorded | DomainError:
        """Check a draft and give it its place in its sensor's chain; or say why it cannot be."""
        try:
            return self._entered(draft)
        except DomainError as refused:
            return refused

    def write(self) -> None:
        """Store what was entered.

        Raises
        ------
        django.db.IntegrityError
            If somebody else has stored one of the ids meanwhile.
        """
        insert(Calibration, ROW, self._rows)
        insert(CalibrationPoint, POINT, self._points)

    def _entered(self, draft: CalibrationDraft) -> Recorded:
        standing = self._standing(draft.sensor)
        existing = self._existing(draft.id) if draft.id else None
        check_draft(draft, now=self.now, seats=self.seats, repeated=existing is not None)
        if existing:
            return _already_there(existing, draft)
        self._check_superseded(draft)
        seat = self.seats.at(draft.sensor.id, local_day(draft.sensor, draft.performed_at))
        return self._sealed(draft, seat, standing)

    def _standing(self, sensor: Sensor) -> Standing:
        """Return how a sensor stands; the caller must be allowed to record for its dealer."""
        standing = self.standing.get(sensor.id)
        if standing is None:
            raise NotFound(Problem("sensor", "It is not registered any more", "another sensor"))
        if standing.dealer_id not in self._allowed:
            require(self.scope, "create", "calibrations", standing.dealer_id)
            self._allowed.add(standing.dealer_id)
        return standing

    def _existing(self, key: UUID) -> Calibration | None:
        earlier = self.entered.get(key)
        return earlier.calibration if earlier else self.known.get(key)

    def _check_superseded(self, draft: CalibrationDraft) -> None:
        earlier = draft.supersedes
        if earlier is None:
            return
        there = self._existing(earlier.pk) if _is_to_be(earlier) else earlier
        if there is None or there.sensor_id != draft.sensor.id:
            said = ("There is no such record", "a record that is stored")
            raise Invalid(Problem("supersedes", *said, str(earlier.pk)))
        if earlier.pk in self.superseded:
            raise overtaken(earlier.pk)
        self.superseded.add(earlier.pk)

    def _sealed(self, draft: CalibrationDraft, seat: Seat | None, standing: Standing) -> Recorded:
        said, points = said_in(draft, seat), points_in(draft)
        content = digests.calibration_digest(said, points, dealer_code=draft.sensor.dealer.code)
        number = standing.chain_number + 1
        digest = digests.chained(
            standing.digest, number=number, content=content, recorded_at=self.now, by=self.by
        )
        self.standing[draft.sensor.id] = Standing(standing.dealer_id, number, digest)
        own = (
            *said, draft.sensor.id, draft.sensor.dealer_id, self.now, self.by, number, content,
            digest, seat.id if seat else None, draft.reference.id if draft.reference else None,
        )  # fmt: skip
        row = _in_order(own)
        self._rows.append(row)
        self._points += [(said.id, at, *point) for at, point in enumerate(points, start=1)]
        sealed = Sealed(said.id, draft, seat, number)
        recorded = self.entered[said.id] = Recorded(created=True, row=row, sealed=sealed)
        return recorded


def to_be(draft: CalibrationDraft) -> Calibration:
    """Return what stands for the record that a draft becomes, for those after it to supersede."""
    return Calibration(pk=draft.id, sensor=draft.sensor, reference=draft.reference)


def _is_to_be(record: Calibration) -> bool:
    return record._state.adding  # noqa: SLF001 - Django's own name for it


def _standings(mark: int) -> "QuerySet[Sensor, Any]":
    last = Calibration.objects.filter(sensor=OuterRef("pk")).order_by("-chain_number")
    ends = [Subquery(last.values(name)[:1]) for name in ("chain_number", "digest")]
    seat = (f"installations__{name}" for name in ("pk", *STAY))
    # A row for each installation, the chain's end in each; one without where there is none.
    rows = Sensor.objects.filter(pk__among=[mark]).order_by()
    return rows.values_list("pk", "dealer_id", *ends, *seat)


_STANDINGS = Statement(_standings)


def _at_hand(sensor_ids: Sequence[int]) -> tuple[Seats, dict[int, Standing]]:
    """Where sensors sat, whose they are and how their chains end; one query, sensors locked."""
    seats, standing = [], {}
    for sensor, dealer, number, digest, key, *seat in _STANDINGS.many(sensor_ids):
        standing[sensor] = Standing(dealer, number or 0, digest or digests.START)
        if key is not None:
            seats.append(Seat(key, sensor, *seat))
    return Seats(seats), standing


_THERE = Statement(
    lambda mark: Calibration.objects.filter(pk__among=[mark]).order_by().values_list("pk"),
    uuids=True,
)


def _known(ids: Sequence[UUID]) -> dict[UUID, Calibration]:
    there = [key for (key,) in _THERE.many(ids)]
    if not there:  # as with most records
        return {}
    rows = Calibration.objects.filter(pk__among=there).select_related("dealer")
    return {row.pk: row for row in rows}


def _superseded(rows: Sequence[Calibration]) -> set[UUID]:
    if not rows:
        return set()
    keys = [row.pk for row in rows]
    known = Calibration.objects.filter(supersedes_id__among=keys)
    return set(known.values_list("supersedes_id", flat=True))


def _instance(row: tuple[Any, ...], draft: CalibrationDraft) -> Calibration:
    """Return a row as Django would read it, with what the draft knows beside it."""
    calibration = Calibration.from_db(DEFAULT_DB_ALIAS, ROW, row)
    fetched = calibration._state.fields_cache  # noqa: SLF001 - as Django itself fills it
    fetched |= {
        "sensor": draft.sensor,
        "dealer": draft.sensor.dealer,
        "reference": draft.reference,
        "supersedes": draft.supersedes,
    }
    return calibration


def _already_there(existing: Calibration, draft: CalibrationDraft) -> Recorded:
    """The same content is the same record; where it stood then is not the caller's to repeat."""
    if existing.sensor_id != draft.sensor.id or not says_the_same(existing, draft):
        raise taken(existing.pk)
    return Recorded(existing, created=False)
