"""Lots counted by the database's grouping, which the counts made by arrays are held against."""

import numpy as np
from django.db.models import Count

from calibration.fleetwide.looks import looks
from calibration.fleetwide.siblings import Counted
from calibration.models import Verdict, in_time

_SENSOR, _MODEL, _NAME, _LOT = (
    f"calibration__sensor{end}" for end in ("_id", "__model_id", "__model__name", "__lot")
)


def counted(scope):
    """Count the looks that a caller sees, by model and lot."""
    later = _later(scope)
    groups = (
        looks(scope=scope)
        .exclude(**{_LOT: ""})
        .values_list(_MODEL, _NAME, _LOT)
        .annotate(sensors=Count(_SENSOR, distinct=True), looks=Count("pk"))
        .order_by(_NAME, _MODEL, _LOT)
    )
    found = []
    for model, name, lot, sensors, seen in groups:
        after = later.get((model, lot), [])
        found.append(Counted(model, name, lot, sensors, seen - sum(after), len(after)))
    return found


def _later(scope):
    """How many looks came after the one at which a sensor was first found out, by lot."""
    every = looks(scope=scope).exclude(**{_LOT: ""})
    out = every.filter(verdict=Verdict.BEYOND).values(_SENSOR)
    rows = list(
        every.filter(calibration__sensor__in=out)
        .order_by(_SENSOR, *in_time("calibration__"))
        .values_list(_SENSOR, _MODEL, _LOT, "verdict")
    )
    sensor = np.array([row[0] for row in rows], dtype=np.int64)
    beyond = np.flatnonzero([row[3] == Verdict.BEYOND for row in rows])
    which, first = np.unique(sensor[beyond], return_index=True)
    at = beyond[first]
    after = np.searchsorted(sensor, which, side="right") - at - 1
    found = {}
    for i, count in zip(at.tolist(), after.tolist(), strict=True):
        found.setdefault((rows[i][1], rows[i][2]), []).append(count)
    return found
