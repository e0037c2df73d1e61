"""Where sensors sit now, with what a sheet says of each: one query, no objects."""

from datetime import date
from typing import Any, NamedTuple

from fleet.models import Installation
from fleet.scope import Scope


class Place(NamedTuple):
    """A sensor at its position."""

    machine_id: int
    position: str
    installed_on: date
    sensor_id: int
    serial: str
    lot: str
    dealer_id: int
    model_id: int
    model_name: str
    reading_unit: str
    rated_load: float
    rated_unit: str
    tag_zero_reading: float | None
    tag_span_reading: float | None
    tag_span_load: float | None
    tag_load_unit: str
    due_on: date | None
    decided_by: str | None


_PATHS = (
    "machine_id", "position", "installed_on", "sensor_id", "sensor__serial", "sensor__lot",
    "sensor__dealer_id", "sensor__model_id", "sensor__model__name", "sensor__model__reading_unit",
    "sensor__model__rated_load", "sensor__model__load_unit", "sensor__tag_zero_reading",
    "sensor__tag_span_reading", "sensor__tag_span_load", "sensor__tag_load_unit",
    "sensor__due__due_on", "sensor__due__decided_by",
)  # fmt: skip


def places_of(scope: Scope, **conditions: Any) -> list[Place]:
    """Return the sensors that sit somewhere now, of those that the caller may see."""
    rows = Installation.objects.visible_to(scope).filter(removed_on__isnull=True, **conditions)
    return [_as_seen(Place._make(row), scope) for row in rows.values_list(*_PATHS)]


def _as_seen(place: Place, scope: Scope) -> Place:
    """Return a place without its due day, where that is not the caller's to plan by."""
    if scope.administers or place.dealer_id in scope.dealers:
        return place
    return place._replace(due_on=None, decided_by=None)
