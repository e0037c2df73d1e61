"""Looks: calibrations that tell whether a sensor was still in tolerance; the one query."""

from typing import Any

from django.db.models import QuerySet

from calibration.models import Judgement, Stage
from fleet.models import SensorModel
from fleet.scope import Scope


def looks(*, scope: Scope, sensor_model: SensorModel | None = None) -> "QuerySet[Judgement]":
    """Return the as-found calibrations that can be held against one before them.

    As found only: after an adjustment nobody can tell any more. One that is not to be believed
    (a slip of the pen or of the procedure) says nothing of the sensor; a superseded one has no
    judgement. The first of a segment has nothing to be held against.
    """
    told: dict[str, Any] = {
        "calibration__stage": Stage.AS_FOUND,
        "previous__isnull": False,
        "trusted": True,
    }
    if sensor_model is not None:
        told["calibration__sensor__model"] = sensor_model
    rows: QuerySet[Judgement] = Judgement.objects.visible_to(scope).filter(**told)
    return rows
