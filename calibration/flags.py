"""Flags: open what is wanted, update what differs, close what is gone; safe to repeat."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db import DEFAULT_DB_ALIAS, transaction
from django.db.models import Q

from calibration.columns import among
from calibration.events import tell_of_flags
from calibration.models import DriftFlag
from fleet.errors import Conflict, Invalid, NotFound, Problem
from fleet.statements import Statement
from fleet.texts import require_one_line
from fleet.updating import take_over, update

OPEN, ACKNOWLEDGED, CLOSED = DriftFlag.Status
_NUMBERS = ("level", "magnitude", "tolerance", "p_out", "causes")
_FIELDS = [field.attname for field in DriftFlag._meta.concrete_fields]
_OF = Statement(
    lambda mark: DriftFlag.objects.filter(among("sensor", [mark])).order_by().values_list(*_FIELDS)
)


@dataclass(frozen=True)
class Wanted:
    """A flag that should stand."""

    sensor_id: int
    kind: str
    level: str
    magnitude: float
    tolerance: float
    p_out: float | None = None
    causes: list[dict[str, Any]] = field(default_factory=list)
    calibration_id: UUID | None = None
    functional_test_id: UUID | None = None

    @property
    def key(self) -> tuple[Any, ...]:
        """What makes it one flag and no other."""
        record = self.calibration_id or self.functional_test_id
        return (self.kind, record, None if record else self.sensor_id)


@dataclass(frozen=True)
class FlagChange:
    """How many flags were opened and closed."""

    opened: int = 0
    closed: int = 0

    def __add__(self, other: "FlagChange") -> "FlagChange":
        """Return both together."""
        return FlagChange(self.opened + other.opened, self.closed + other.closed)


def settle(
    sensor_ids: Sequence[int],
    kinds: Iterable[str],
    wanted: Sequence[Wanted],
    *,
    now: datetime,
    bare: frozenset[int] = frozenset(),
) -> FlagChange:
    """Make the flags of these kinds on these sensors the wanted ones; `bare` ones have none yet.

    What a person closed stays closed; what a scan closed opens again when it comes back. Nothing
    is written where nothing differs; what does is locked and read again, with what a person
    decided meanwhile.
    """
    flagged = [key for key in sensor_ids if key not in bare]
    present, by_key = _beside(flagged, kinds, wanted)
    new = [want for key, want in by_key.items() if key not in present]
    changed, reopened, closed = [], [], []
    differing = [row.pk for key, row in present.items() if _settle_one(row, by_key.get(key), now)]
    for row in _held(differing):
        was = row.status
        if _settle_one(row, by_key.get(_key(row)), now):
            changed.append(row)
            reopened += [row] * (was == CLOSED and row.status == OPEN)
            closed += [row] * (was != CLOSED and row.status == CLOSED)
    opened = DriftFlag.objects.bulk_create(
        [DriftFlag(opened_at=now, **asdict(want)) for want in new]
    )
    update(changed, [*_NUMBERS, "status", "opened_at", "closed_at", "close_reason"])
    tell_of_flags([*opened, *reopened], closed, now=now)
    return FlagChange(len(opened) + len(reopened), len(closed))


def _held(keys: Sequence[int]) -> Iterable[DriftFlag]:
    """These flags as they are by now, locked in the order of their keys."""
    rows = DriftFlag.objects.select_for_update(no_key=True).filter(among("pk", keys))
    return rows.order_by("pk") if keys else ()


def out_of_line(
    sensor_ids: Sequence[int], kinds: Iterable[str], wanted: Sequence[Wanted]
) -> set[int]:
    """Return the sensors on which `settle` would change something."""
    present, by_key = _beside(sensor_ids, kinds, wanted)
    found = {want.sensor_id for key, want in by_key.items() if key not in present}
    moment = datetime(1970, 1, 1, tzinfo=UTC)  # the rows are ours, and not saved
    return found | {
        row.sensor_id for key, row in present.items() if _settle_one(row, by_key.get(key), moment)
    }


def _beside(
    sensor_ids: Sequence[int], kinds: Iterable[str], wanted: Sequence[Wanted]
) -> tuple[dict[tuple[Any, ...], DriftFlag], dict[tuple[Any, ...], Wanted]]:
    """The flags that are there and those that should be, by their keys."""
    every = (DriftFlag.from_db(DEFAULT_DB_ALIAS, _FIELDS, row) for row in _OF.many(sensor_ids))
    asked = set(kinds)
    present = {_key(row): row for row in every if row.kind in asked}
    return present, {want.key: want for want in wanted}


def _key(row: DriftFlag) -> tuple[Any, ...]:
    record = row.calibration_id or row.functional_test_id
    return (row.kind, record, None if record else row.sensor_id)


def _settle_one(row: DriftFlag, want: Wanted | None, now: datetime) -> bool:
    """Bring one row to what is wanted; whether it changed."""
    closed_by_person = row.status == CLOSED and row.closed_by_id is not None
    if want is None:
        if row.status == CLOSED:
            return False
        row.status, row.closed_at, row.close_reason = CLOSED, now, "no longer found"
        return True
    fixed = ("magnitude", "tolerance") if want.kind == DriftFlag.Kind.OVERDUE else ()
    before = [getattr(row, name) for name in _NUMBERS] + [row.status]
    for name in _NUMBERS:
        if name not in fixed:
            setattr(row, name, getattr(want, name))
    if row.status == CLOSED and not closed_by_person:
        row.status, row.opened_at, row.closed_at, row.close_reason = OPEN, now, None, ""
    return before != [getattr(row, name) for name in _NUMBERS] + [row.status]


@transaction.atomic
def acknowledge(flag: DriftFlag, *, user_id: int | None, now: datetime) -> list[DriftFlag]:
    """Note that somebody has seen it and its family; on one that is acknowledged, nothing.

    Returns those that this call acknowledged.
    """
    rows = together(flag)
    if flag.status == CLOSED:
        raise Conflict("The flag is closed; it cannot be acknowledged any more.")
    unseen = [row for row in rows if row.status == OPEN]
    for row in unseen:
        row.status, row.acknowledged_at = ACKNOWLEDGED, now
        row.acknowledged_by_id = user_id
        row.save(update_fields=["status", "acknowledged_at", "acknowledged_by"])
    return unseen


@transaction.atomic
def close(flag: DriftFlag, *, user_id: int | None, reason: str, now: datetime) -> list[DriftFlag]:
    """Close it and its family with a reason; on one that a person closed already, nothing.

    Returns those that this call closed.
    """
    reason = said("reason", reason, "Say why the flag is closed")
    closed = []
    for row in together(flag):
        if row.status != CLOSED or row.closed_by_id is None:
            row.status, row.closed_at, row.close_reason = CLOSED, now, reason
            row.closed_by_id, row.closed_for_id = user_id, row.sensor.dealer_id
            row.save(
                update_fields=["status", "closed_at", "closed_by", "closed_for", "close_reason"]
            )
            closed.append(row)
    tell_of_flags([], closed, now=now)
    return closed


def together(flag: DriftFlag) -> list[DriftFlag]:
    """Return the flag and those of its family that are not closed, at the same dealer, locked.

    All are as they are by now, the given one too: what somebody decided meanwhile counts. One
    that is closed stands alone: what is decided about it later is about itself.
    """
    while True:
        known = (flag.family_id, flag.sensor.dealer_id)
        rows = _locked(flag)
        if flag.status == CLOSED:
            return [flag]
        if known == (flag.family_id, flag.sensor.dealer_id):
            return rows


def _locked(flag: DriftFlag) -> list[DriftFlag]:
    """The flag, read again, and its family; locked in the order of their keys."""
    kin = Q(pk=flag.pk)
    if flag.family_id is not None:
        there = Q(family=flag.family_id, sensor__dealer=flag.sensor.dealer_id)
        kin |= there & ~Q(status=CLOSED)
    rows = DriftFlag.objects.select_for_update(of=("self",)).filter(kin)
    found = {row.pk: row for row in rows.select_related("sensor").order_by("pk")}
    stored = found.pop(flag.pk, None)
    if stored is None:
        raise NotFound("The flag is gone.")
    take_over(flag, stored).sensor = stored.sensor
    return [flag, *found.values()]


def said(field: str, words: str, wanted: str) -> str:
    """Return what a person wrote, without spaces around it, where it says something."""
    words = words.strip()
    if not 3 <= len(words) <= 200:
        raise Invalid(Problem(field, wanted, "3 to 200 characters"))
    require_one_line(field, words)
    return words
