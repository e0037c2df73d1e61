"""The newest valid calibration of each of many sensors, as the answer that everybody sees."""

from collections.abc import Sequence
from typing import Any

from django.db.models import OuterRef, Subquery

from calibration import readout
from calibration.models import Calibration
from fleet.scope import Scope


def latest_answers(sensor_ids: Sequence[int], scope: Scope) -> dict[int, dict[str, Any]]:
    """Return each sensor's newest calibration that nothing supersedes, in a few queries."""
    newest = (
        Calibration.objects.filter(sensor=OuterRef("sensor"), superseded_by__isnull=True)
        .order_by("-performed_at", "-id")
        .values("pk")[:1]
    )
    rows = Calibration.objects.visible_to(scope).filter(
        sensor_id__in=sensor_ids, pk=Subquery(newest)
    )
    return {answer["sensor"]: answer for answer in readout.answers(rows, scope)}
