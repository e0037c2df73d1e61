"""Looks: calibrations that tell whether a sensor was still in tolerance; the one query."""

from typing import Any

import numpy as np
from django.db.models import QuerySet
from numpy.typing import NDArray

from calibration import columns
from calibration.models import Judgement, Stage, Verdict
from fleet.models import SensorModel
from fleet.scope import Scope

Table = NDArray[np.void]

LOOK = np.dtype([("sensor", "i8"), ("model", "i8"), ("before", "f8"), ("at", "f8"), ("out", "?")])
_SECOND = 1e6  # moments are microseconds


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


def read_looks(rows: "QuerySet[Judgement]") -> Table:
    """Read looks, (M,) of LOOK, in no order.

    `before` and `at` [s since 1970] are when the calibration whose numbers were in use was made,
    and when somebody looked; `out`: the sensor was found out of tolerance.
    """
    read = columns.read(
        rows.order_by().values_list(
            "calibration__sensor_id",
            "calibration__sensor__model_id",
            "previous__performed_at",
            "calibration__performed_at",
            "verdict",
        ),
        sensor="key", model="key", before="moment", at="moment", out=(str(Verdict.BEYOND),),
    )  # fmt: skip
    table = np.empty(len(read["sensor"]), dtype=LOOK)
    table["sensor"], table["model"] = read["sensor"], read["model"]
    table["before"], table["at"] = read["before"] / _SECOND, read["at"] / _SECOND
    table["out"] = read["out"] == 0
    return table
