"""What stands beside the fields while somebody records: the sensor, last numbers, ranges."""

from datetime import tzinfo
from typing import Any

from calibration import policies, readout
from calibration.admin import wording
from calibration.admin.entering import Entry
from calibration.admin.sensor_page import before, open_flags
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
    sensor = entry.sensor()
    if sensor is None:
        serial = str(entry.form["sensor"].value() or "").strip()
        return {"sensor": None, "unknown": serial, "flags": []}
    last, believed = (numbers.get(sensor.pk) for numbers in readout.last_and_believed([sensor.pk]))
    here = Installation.objects.visible_to(scope).filter(sensor=sensor, removed_on__isnull=True)
    place, zone = here.select_related("machine").first(), sensor.dealer.zone
    return {
        "sensor": sensor,
        "place": place,
        "tag": tag_numbers(sensor, sensor.model.reading_unit),
        "last": last and _last(last, zone),
        "last_points": last and wording.points_of(last),
        "past": bool(last and place and before(last, place, zone)),
        "doubt": last and last["doubt"],
        "expected": believed and _expected(sensor, believed, zone),
        "basis": BASIS,
        "flags": open_flags(sensor, scope),
    }


def _last(last: dict[str, Any], zone: tzinfo) -> dict[str, str]:
    return {
        "day": wording.local_day(last["performed_at"], zone),
        "slope": wording.slope_of(last),
        "offset": wording.offset_of(last),
    }


def _expected(sensor: Sensor, believed: dict[str, Any], zone: tzinfo) -> dict[str, Any] | None:
    tolerance = tolerance_of(sensor.model, policies.policy_for(sensor), believed["load_unit"])
    day = wording.local_day(believed["performed_at"], zone)
    return expected_numbers(believed, tolerance, day=day)
