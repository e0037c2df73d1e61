"""The newest valid calibration of each of many sensors, as the answer that everybody sees."""

from collections.abc import Sequence
from typing import Any

from calibration.readout import newest_answers
from fleet.models import Sensor
from fleet.scope import Scope


def latest_answers(sensor_ids: Sequence[int], scope: Scope) -> dict[int, dict[str, Any]]:
    """Return each visible sensor's newest calibration that nothing supersedes."""
    if not scope.everywhere:
        seen = Sensor.objects.visible_to(scope).filter(pk__among=sensor_ids)
        sensor_ids = list(seen.values_list("pk", flat=True))
    return {answer["sensor"]: answer for answer in newest_answers(sensor_ids, scope)}
