"""What stands beside the fields while somebody records: the sensor, last numbers, ranges."""

from typing import Any

from calibration import policies
from calibration.admin import wording
from calibration.admin.entering import Entry
from calibration.admin.sensor_page import before, history_row, open_flags
from calibration.documents.latest import latest_answers
from calibration.documents.visit_numbers import (
    BASIS,
    expected_numbers,
    tag_numbers,
    tolerance_of,
)
from fleet.models import Installation, Sensor
from fleet.scope import Scope


def beside(entry: Entry, scope: Scope) -> dict[str, Any]:
    """Return what is known of the sensor whose serial is typed; Nones where it is not known."""
    serial = str(entry.form["sensor"].value() or "").strip()
    rows = Sensor.objects.visible_to(scope).select_related("model", "dealer")
    sensor = rows.filter(serial__iexact=serial).first() if serial else None
    if sensor is None:
        return {"sensor": None, "asked": serial, "flags": []}
    last = latest_answers([sensor.pk], scope).get(sensor.pk)
    here = Installation.objects.visible_to(scope).filter(sensor=sensor, removed_on__isnull=True)
    place = here.select_related("machine").first()
    return {
        "sensor": sensor,
        "place": place,
        "tag": tag_numbers(sensor, sensor.model.reading_unit),
        "last": last and history_row(last, sensor.dealer.zone),
        "last_points": last and wording.points_of(last),
        "past": bool(last and place and before(last, place, sensor.dealer.zone)),
        "expected": last and _expected(sensor, last),
        "basis": BASIS,
        "flags": open_flags(sensor, scope),
    }


def _expected(sensor: Sensor, last: dict[str, Any]) -> dict[str, Any] | None:
    rule = policies.policy_for(sensor)
    return expected_numbers(last, tolerance_of(sensor.model, rule, last["load_unit"]))
