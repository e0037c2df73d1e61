"""What a flag of a reference is about: which one, on which day, and what else was done with it."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

from django.db.models import Q

from calibration.models import Calibration, DriftFlag, ReferenceStandard
from fleet.scope import Scope

AT_ONCE = 50  # days asked for in one statement

_Day = tuple[int, date]  # of a reference, by its owner's clock


@dataclass(frozen=True)
class MovedReference:
    """What a flag of a reference says beside how far it moved.

    Attributes
    ----------
    reference
        None where no reference was named, or where the caller may not know which it was.
    day
        The day of the flagged calibration, by the clock of the dealer who owns the reference.
    others
        One calibration of each other sensor that the caller may see and that was calibrated with
        it on that day, by serial; none that another record replaces.
    """

    reference: ReferenceStandard | None
    day: date
    others: list[Calibration] = field(default_factory=list)


def moved_references(
    flags: Iterable[DriftFlag], *, scope: Scope, with_others: bool = True
) -> dict[int, MovedReference]:
    """Return what each flag of a reference is about, by its key; other kinds have nothing.

    Without the others, which a list does not name, one query less; and one less where the flags
    came with their calibrations, and these with their references.
    """
    kind = DriftFlag.Kind.REFERENCE
    asked = {row.calibration_id: row for row in flags if row.kind == kind and row.calibration_id}
    if not asked:
        return {}
    found = {asked[row.pk].pk: (row, _named(row, scope)) for row in _flagged(list(asked.values()))}
    days = {(used, _day_of(row, used)) for row, used in found.values() if used}
    beside = _calibrated(list(days) if with_others else (), scope)
    return {
        flag: MovedReference(
            used, _day_of(row, used), _others(row, beside[_key(row, used)] if used else [])
        )
        for flag, (row, used) in found.items()
    }


def _flagged(flags: Sequence[DriftFlag]) -> list[Calibration]:
    """The flagged calibrations with their references; read, unless all came with the flags."""
    there = [row.calibration for row in flags if DriftFlag.calibration.is_cached(row)]
    if len(there) == len(flags) and all(
        row and Calibration.reference.is_cached(row) for row in there
    ):
        return [row for row in there if row is not None]
    rows = Calibration.objects.filter(pk__in=[row.calibration_id for row in flags])
    return list(rows.select_related("dealer", "reference__dealer"))


def _named(row: Calibration, scope: Scope) -> ReferenceStandard | None:
    used = row.reference
    owner = used.dealer_id if used else None
    return used if scope.sees_reference(owner_id=owner, recorded_for=row.dealer_id) else None


def _day_of(row: Calibration, used: ReferenceStandard | None) -> date:
    return row.performed_at.astimezone((used or row).dealer.zone).date()


def _key(row: Calibration, used: ReferenceStandard) -> _Day:
    return used.pk, _day_of(row, used)


def _calibrated(
    days: Sequence[tuple[ReferenceStandard, date]], scope: Scope
) -> dict[_Day, list[Calibration]]:
    """Return what the caller may see of what was calibrated with references on their days."""
    found: dict[_Day, list[Calibration]] = defaultdict(list)
    seen = Calibration.objects.visible_to(scope).filter(superseded_by=None)
    for start in range(0, len(days), AT_ONCE):
        some = days[start : start + AT_ONCE]
        used = {reference.pk: reference for reference, _ in some}
        on_them = Q()
        for reference, day in some:
            on_them |= Q(reference=reference, performed_at__range=_span(reference, day))
        for row in seen.filter(on_them).order_by("sensor_serial", "performed_at", "pk"):
            found[_key(row, used[row.reference_id])].append(row)  # type: ignore[index] # one of them
    return found


def _span(reference: ReferenceStandard, day: date) -> tuple[datetime, datetime]:
    """The first and the last moment of a local day."""
    begins = datetime.combine(day, time(), reference.dealer.zone)
    ends = datetime.combine(day + timedelta(days=1), time(), reference.dealer.zone)
    return begins.astimezone(UTC), ends.astimezone(UTC) - timedelta(microseconds=1)


def _others(own: Calibration, rows: Iterable[Calibration]) -> list[Calibration]:
    """One calibration of each other sensor, the last of the day."""
    last = {row.sensor_id: row for row in rows if row.sensor_id != own.sensor_id}
    return list(last.values())
