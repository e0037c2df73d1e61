"""A sensor's whole life in one answer: where it sat, what was measured, what follows."""

from typing import Any

from calibration.models import Calibration, DriftFlag, FunctionalTest
from calibration.readout.calibrations import answers
from calibration.readout.flags import flag_answer
from calibration.readout.functional import functional_answers
from fleet.models import Installation, Sensor
from fleet.scope import Scope

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


def sensor_history(sensor: Sensor, scope: Scope) -> dict[str, Any]:
    """Return everything about one sensor, oldest first, with a fixed number of queries."""
    sensor = (
        Sensor.objects.visible_to(scope).select_related("model", "dealer", "due").get(pk=sensor.pk)
    )
    rows = Calibration.objects.filter(sensor=sensor).order_by("performed_at", "stage", "pk")
    tests = FunctionalTest.objects.filter(sensor=sensor).order_by("performed_at", "pk")
    calibrations = answers(rows, scope)
    return {
        "sensor": _sensor(sensor),
        "installations": _installations(sensor, scope),
        "calibrations": calibrations,
        "functional_tests": functional_answers(tests, scope),
        "seasons": seasons(calibrations),
        "flags": [
            flag_answer(flag, scope)
            for flag in DriftFlag.objects.filter(sensor=sensor)
            .select_related("family", "assigned_to")
            .order_by("opened_at", "pk")
        ],
        "due": _due(sensor),
    }


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


def _sensor(sensor: Sensor) -> dict[str, Any]:
    tag = None
    if sensor.tag_load_unit:
        tag = {
            "zero_reading": sensor.tag_zero_reading,
            "span_reading": sensor.tag_span_reading,
            "span_load": sensor.tag_span_load,
            "load_unit": sensor.tag_load_unit,
        }
    return {
        "id": sensor.pk,
        "serial": sensor.serial,
        "model": sensor.model_id,
        "model_name": sensor.model.name,
        "dealer": sensor.dealer_id,
        "dealer_code": sensor.dealer.code,
        "lot": sensor.lot,
        "tag": tag,
    }


def _installations(sensor: Sensor, scope: Scope) -> list[dict[str, Any]]:
    """Where it sat. On a machine that is another dealer's today, only the serial is told."""
    rows = (
        Installation.objects.filter(sensor=sensor)
        .select_related("machine__model", "machine__customer")
        .order_by("installed_on", "pk")
    )
    return [
        {
            "id": row.pk,
            "machine": row.machine_id if _ours(row, scope) else None,
            "machine_serial": row.machine.serial,
            "machine_model_name": row.machine.model.name,
            "customer_name": row.machine.customer.name if _ours(row, scope) else "",
            "position": row.position,
            "installed_on": row.installed_on.isoformat(),
            "removed_on": row.removed_on.isoformat() if row.removed_on else None,
        }
        for row in rows
    ]


def _ours(row: Installation, scope: Scope) -> bool:
    return scope.everywhere or row.machine.customer.dealer_id in scope.dealers


def _due(sensor: Sensor) -> dict[str, Any] | None:
    due = getattr(sensor, "due", None)
    if due is None:
        return None
    return {
        "due_on": due.due_on.isoformat(),
        "decided_by": due.decided_by,
        "says": due.get_decided_by_display(),
        "last_calibration": str(due.last_calibration_id) if due.last_calibration_id else None,
    }
