"""The newest valid calibration of each of many sensors, as the answer that everybody sees."""

from collections.abc import Sequence
from typing import Any

from calibration.readout import newest_answers
from fleet.scope import Scope


def latest_answers(sensor_ids: Sequence[int], scope: Scope) -> dict[int, dict[str, Any]]:
    """Return each visible sensor's newest calibration that nothing supersedes."""
    return {answer["sensor"]: answer for answer in newest_answers(sensor_ids, scope)}
