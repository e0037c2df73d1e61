"""A sensor's whole life in one answer: where it sat, what was measured, what follows."""

from datetime import date
from typing import Any, NamedTuple
from uuid import UUID

from calibration.models import DueState, FunctionalTest
from calibration.readout import rows
from calibration.readout.calibrations import answers_of
from calibration.readout.flags import flag_answer
from calibration.readout.functional import functional_answers
from fleet.errors import NotFound
from fleet.models import Installation, Sensor
from fleet.scope import Scope
from fleet.statements import Statement

_SEASON = ("season", "segment", "verdict")
_FIT = ("slope", "u_slope", "offset", "u_offset", "load_unit", "reading_unit")
_CHANGE = (
    "slope_change_pct",
    "u_slope_change_pct",
    "offset_change",
    "u_offset_change",
    "p_out_slope",
    "p_out_offset",
)


class _Facts(NamedTuple):
    """A sensor as its history begins with it."""

    id: int
    serial: str
    model_id: int
    model_name: str
    dealer_id: int
    dealer_code: str
    lot: str
    tag_zero_reading: float | None
    tag_span_reading: float | None
    tag_span_load: float | None
    tag_load_unit: str
    due_on: date | None
    decided_by: str | None
    last_calibration_id: UUID | None


class _Stay(NamedTuple):
    """Where it sat, and whose the machine is now."""

    id: int
    machine_id: int
    machine_serial: str
    machine_model_name: str
    customer_name: str
    dealer_id: int
    position: str
    installed_on: date
    removed_on: date | None


_FACTS = Statement(
    lambda mark: Sensor.objects.filter(pk=mark)
    .order_by()
    .values_list(
        "id", "serial", "model_id", "model__name", "dealer_id", "dealer__code", "lot",
        "tag_zero_reading", "tag_span_reading", "tag_span_load", "tag_load_unit", "due__due_on",
        "due__decided_by", "due__last_calibration_id",
    )
)  # fmt: skip
_STAYS = Statement(
    lambda mark: Installation.objects.filter(sensor=mark)
    .order_by("installed_on", "pk")
    .values_list(
        "id", "machine_id", "machine__serial", "machine__model__name", "machine__customer__name",
        "machine__customer__dealer_id", "position", "installed_on", "removed_on",
    )
)  # fmt: skip
_TESTS = Statement(lambda mark: FunctionalTest.objects.filter(sensor=mark).values_list("pk"))


def sensor_history(sensor: Sensor, scope: Scope) -> dict[str, Any]:
    """Return everything about one sensor, oldest first, with a fixed number of queries."""
    (found,) = map(_Facts._make, _FACTS.one(sensor.pk))
    if not _ours(found.dealer_id, scope):
        raise NotFound("There is no such sensor.")
    read, flags = rows.of_sensor(found.id)
    calibrations = answers_of(read, scope)
    return {
        "sensor": _sensor(found),
        "installations": _installations(found.id, scope),
        "calibrations": calibrations,
        "functional_tests": _functional_tests(found.id, scope),
        "seasons": seasons(calibrations),
        "flags": [flag_answer(flag, scope) for flag in flags],
        "due": _due(found),
    }


def _functional_tests(sensor_id: int, scope: Scope) -> list[dict[str, Any]]:
    if not _TESTS.one(sensor_id):  # as with most sensors
        return []
    tests = FunctionalTest.objects.filter(sensor=sensor_id).order_by(
        "performed_at", "chain_number"
    )
    return functional_answers(tests, scope)


def seasons(calibrations: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return one row a season: its last calibration that stands, and the change since before.

    The change is that of the season's last calibration against the season before it; a season
    that starts a segment has none.
    """
    last = {item["season"]: item for item in calibrations if item["season"] is not None}
    by_id = {item["id"]: item for item in calibrations}
    rows = []
    for item in sorted(last.values(), key=lambda item: int(item["season"])):
        against = item["against_previous"]
        before = by_id.get(against.get("calibration", ""))
        other = before is not None and before["season"] != item["season"]
        rows.append(
            {
                "calibration": item["id"],
                "performed_at": item["performed_at"],
                **{name: item[name] for name in _SEASON},
                **{name: item["fit"].get(name) for name in _FIT},
                "previous_season": before["season"] if before and other else None,
                **{name: against.get(name) if other else None for name in _CHANGE},
            }
        )
    return rows


def _sensor(found: _Facts) -> dict[str, Any]:
    tag = None
    if found.tag_load_unit:
        tag = {
            "zero_reading": found.tag_zero_reading,
            "span_reading": found.tag_span_reading,
            "span_load": found.tag_span_load,
            "load_unit": found.tag_load_unit,
        }
    return {
        "id": found.id,
        "serial": found.serial,
        "model": found.model_id,
        "model_name": found.model_name,
        "dealer": found.dealer_id,
        "dealer_code": found.dealer_code,
        "lot": found.lot,
        "tag": tag,
    }


def _installations(sensor_id: int, scope: Scope) -> list[dict[str, Any]]:
    """Where it sat. On a machine that is another dealer's today, only the serial is told."""
    stays = map(_Stay._make, _STAYS.one(sensor_id))
    return [
        {
            "id": stay.id,
            "machine": stay.machine_id if _ours(stay.dealer_id, scope) else None,
            "machine_serial": stay.machine_serial,
            "machine_model_name": stay.machine_model_name,
            "customer_name": stay.customer_name if _ours(stay.dealer_id, scope) else "",
            "position": stay.position,
            "installed_on": stay.installed_on.isoformat(),
            "removed_on": stay.removed_on.isoformat() if stay.removed_on else None,
        }
        for stay in stays
    ]


def _ours(dealer_id: int, scope: Scope) -> bool:
    return scope.everywhere or dealer_id in scope.dealers


def _due(found: _Facts) -> dict[str, Any] | None:
    if found.due_on is None or found.decided_by is None:
        return None
    return {
        "due_on": found.due_on.isoformat(),
        "decided_by": found.decided_by,
        "says": DueState.Decided(found.decided_by).label,
        "last_calibration": str(found.last_calibration_id) if found.last_calibration_id else None,
    }
