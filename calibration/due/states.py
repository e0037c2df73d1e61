"""The stored due days: compared for many sensors at once, written where they differ."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import F, Q

from calibration.due import lines, reminders
from calibration.due.days import Decided, Due
from calibration.due.reading import due_days
from calibration.models import DueState
from fleet.models import Installation, Sensor

CHUNK = 10_000  # SQLite takes at most 32,766 values in one statement
LOCK_AT_ONCE = 200  # more than these are compared first, and only those that differ are locked


@dataclass(frozen=True)
class DueChange:
    """What a refresh did.

    Attributes
    ----------
    changed
        Sensors whose due day, what decided it, or whose reminder was written.
    """

    changed: int


@dataclass(frozen=True)
class _Differences:
    wanted: dict[int, Due]
    states: set[int]
    calibrated: list[int]
    reminders: reminders.Changes

    @property
    def sensors(self) -> set[int]:
        return self.states | self.reminders.sensors


def refresh(sensor_ids: Sequence[int], *, now: datetime) -> DueChange:
    """Bring due days, reminders and visit lines of these sensors up to date.

    Takes a fixed number of queries for each 10,000 sensors, writes only what differs, and may be
    repeated. Sensors that sit in no machine have no due day.
    """
    ids = sorted(set(sensor_ids))
    chunks = (ids[start : start + CHUNK] for start in range(0, len(ids), CHUNK))
    return DueChange(sum(_refresh_chunk(chunk, now) for chunk in chunks))


def out_of_step() -> list[int]:
    """Return sensors that were installed, moved or removed since their due day was computed."""
    seated = Installation.objects.filter(removed_on=None)
    unstated = Q(sensor__due=None)
    moved = Q(sensor__due__last_calibration__installation__isnull=False) & ~Q(
        sensor__due__last_calibration__installation=F("pk")
    )
    redated = Q(sensor__due__decided_by=Decided.NEVER) & ~Q(sensor__due__due_on=F("installed_on"))
    changed = seated.filter(unstated | moved | redated).values_list("sensor", flat=True)
    gone = DueState.objects.exclude(sensor__in=seated.values("sensor"))
    return sorted({*changed, *gone.values_list("sensor", flat=True)})


@transaction.atomic
def _refresh_chunk(ids: list[int], now: datetime) -> int:
    """Lock, then read, then write: whoever comes second sees what the first has stored."""
    if len(ids) > LOCK_AT_ONCE:
        ids = sorted(_differences(ids, now).sensors)
    if not ids:
        return 0
    sensors = Sensor.objects.filter(pk__in=ids).order_by("pk").select_for_update(no_key=True)
    list(sensors.values_list("pk", flat=True))
    found = _differences(ids, now)
    _write_states(found)
    reminders.write(found.reminders)
    lines.close_loop(found.calibrated, now=now)
    return len(found.sensors)


def _differences(ids: list[int], now: datetime) -> _Differences:
    wanted = due_days(ids)
    columns = ("sensor_id", "due_on", "decided_by", "last_calibration_id")
    rows = DueState.objects.filter(sensor__in=ids).values_list(*columns)
    stored = {sensor: tuple(rest) for sensor, *rest in rows}
    expected = {
        sensor: (due.due_on, due.decided_by, due.calibration_id) for sensor, due in wanted.items()
    }
    states = {sensor for sensor in ids if expected.get(sensor) != stored.get(sensor)}
    calibrated = [
        sensor
        for sensor, (_, _, calibration) in expected.items()
        if calibration is not None and stored.get(sensor, (None,))[-1] != calibration
    ]
    return _Differences(wanted, states, calibrated, reminders.compare(ids, wanted, now=now))


def _write_states(found: _Differences) -> None:
    kept = [
        DueState(
            sensor_id=sensor,
            due_on=due.due_on,
            decided_by=due.decided_by,
            last_calibration_id=due.calibration_id,
        )
        for sensor, due in found.wanted.items()
        if sensor in found.states
    ]
    fields = ["due_on", "decided_by", "last_calibration"]
    DueState.objects.bulk_create(
        kept, update_conflicts=True, unique_fields=["sensor"], update_fields=fields
    )
    gone = found.states - found.wanted.keys()
    if gone:
        DueState.objects.filter(sensor__in=gone).delete()
