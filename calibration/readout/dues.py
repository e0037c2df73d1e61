"""When a sensor is due and why, as an answer."""

from typing import Any

from calibration import due
from fleet.models import Sensor


def due_answer(sensor: Sensor) -> dict[str, Any]:
    """Return a sensor's due day with every day that competed; nulls where it sits nowhere."""
    found = due.reasons([sensor.pk]).get(sensor.pk)
    candidates = found.candidates if found else ()
    return {
        "sensor": sensor.pk,
        "sensor_serial": sensor.serial,
        "due_on": found.due_on.isoformat() if found else None,
        "decided_by": found.decided_by if found else None,
        "says": found.says if found else "It sits in no machine, and is not due.",
        "candidates": [
            {"reason": each.reason, "on": each.on.isoformat(), "says": each.says}
            for each in candidates
        ],
    }
