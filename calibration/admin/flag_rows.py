"""Flags as a table: a sensor is one row, with its states, likeliest causes and all its flags."""

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django.urls import reverse

from calibration.admin import wording
from calibration.admin.moved import note_references
from calibration.admin.weights import WORST_FIRST, magnitude
from calibration.models import DriftFlag
from fleet.scope import Scope


def by_sensor(rows: QuerySet[Any], scope: Scope) -> list[dict[str, Any]]:
    """Return the sensors of some weighed flags, the worst first; which references moved, too."""
    found: dict[int, list[Any]] = {}
    related = rows.select_related(
        "sensor__dealer", "sensor__model", "calibration__dealer",
        "calibration__reference__dealer", "functional_test",
    )  # fmt: skip
    flags = list(related.order_by(*WORST_FIRST))
    note_references(flags, scope)
    for row in flags:
        found.setdefault(row.sensor_id, []).append(row)
    return [_flagged(its) for its in found.values()]


def _flagged(rows: Sequence[Any]) -> dict[str, Any]:
    """Return a sensor as one row: its states and likeliest causes, and each of its flags."""
    causes = [cause["name"] for row in rows for cause in wording.causes_of(row.causes[:1])]
    return {
        "sensor": rows[0].sensor,
        "url": reverse("admin:fleet_sensor_change", args=[rows[0].sensor_id]),
        "states": dict.fromkeys((row.level, row.state) for row in rows),
        "causes": ", ".join(dict.fromkeys(causes)),
        "flags": [
            {
                "row": row,
                "url": reverse("admin:calibration_driftflag_change", args=[row.pk]),
                "size": magnitude(row),
                "day": row.moved_reference or _measured_on(row),
            }
            for row in rows
        ],
    }


def _measured_on(row: DriftFlag) -> str:
    record = row.calibration or row.functional_test
    if record is None or row.kind not in DriftFlag.MEASURED:
        return ""
    return wording.local_day(record.performed_at, row.sensor.dealer.zone)
