"""Rows to due days: what the rule needs, read for many sensors in five queries."""

from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import OuterRef, Subquery

from calibration import policies
from calibration.due.days import Basis, Due, due_day
from calibration.models import Calibration
from fleet.models import Installation


@dataclass(frozen=True, slots=True)
class _Seat:
    """Where a sensor sits, in whose calendar, and its newest calibration anywhere."""

    sensor_id: int
    installation_id: int
    installed_on: date
    timezone: str
    season_start: str
    newest: UUID | None


@dataclass(frozen=True, slots=True)
class _Last:
    performed_at: datetime
    installation_id: int | None
    crossing: date | None


def due_days(sensor_ids: list[int]) -> dict[int, Due]:
    """Return what each of these sensors is due on; those that sit in no machine are left out."""
    seats = _seats(sensor_ids)
    last = _last_ones([seat.newest for seat in seats if seat.newest is not None])
    rules = policies.rules_for([seat.sensor_id for seat in seats])
    return {
        seat.sensor_id: _due(
            seat,
            last[seat.newest] if seat.newest else None,
            rules[seat.sensor_id].default_interval_days,
        )
        for seat in seats
    }


def _due(seat: _Seat, last: _Last | None, interval_days: int) -> Due:
    calibrated_on = None if last is None else _day(last.performed_at, seat.timezone)
    if last is not None and not _counts_here(seat, last):
        last = calibrated_on = None
    due_on, decided_by = due_day(
        Basis(
            installed_on=seat.installed_on,
            calibrated_on=calibrated_on,
            interval_days=interval_days,
            crossing=last.crossing if last else None,
            season_start=seat.season_start,
        )
    )
    if last is None:
        return Due(due_on, decided_by.value)
    return Due(due_on, decided_by.value, seat.newest, last.performed_at)


def _day(moment: datetime, timezone: str) -> date:
    return moment.astimezone(ZoneInfo(timezone)).date()


def _counts_here(seat: _Seat, last: _Last) -> bool:
    """Whether a calibration was made where the sensor sits now; a moved cell starts anew."""
    if last.installation_id is None:
        return _day(last.performed_at, seat.timezone) >= seat.installed_on
    return last.installation_id == seat.installation_id


def _seats(sensor_ids: list[int]) -> list[_Seat]:
    # Served by the index calibration_history, read backwards: one probe a sensor.
    newest = (
        Calibration.objects.filter(sensor=OuterRef("sensor"), superseded_by=None)
        .order_by("-performed_at", "-id")
        .values("pk")[:1]
    )
    rows = (
        Installation.objects.filter(sensor__in=sensor_ids, removed_on=None)
        .order_by("sensor")
        .annotate(newest=Subquery(newest))
    )
    return [
        _Seat(*row)
        for row in rows.values_list(
            "sensor_id",
            "pk",
            "installed_on",
            "sensor__dealer__timezone",
            "sensor__dealer__season_start",
            "newest",
        )
    ]


def _last_ones(keys: list[UUID]) -> dict[UUID, _Last]:
    columns = ("pk", "performed_at", "installation", "judgement__earliest_crossing")
    rows = Calibration.objects.filter(pk__in=keys).order_by().values_list(*columns)
    return {key: _Last(*rest) for key, *rest in rows}
