"""Lots against their siblings: which of a sensor model drifts more than the others.

A lot is judged by its looks (as-found calibrations, `fleetwide.looks`) up to and including the one
at which a sensor was first found beyond its tolerance. So each sensor counts as out once, an old
lot that was looked at more often is not worse for it, and a repair makes nobody forget. A sensor
without a lot takes no part.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import Any
from uuid import UUID

import numpy as np
from django.db import transaction
from numpy.typing import NDArray

from calibration import columns, flags
from calibration.flags import FlagChange, Wanted
from calibration.fleetwide import counting
from calibration.fleetwide.looks import looks
from calibration.metrology.lots import LotShares, compare_lots, until_out
from calibration.models import DriftFlag, LotLooks, Verdict, in_time
from fleet.models import Sensor, SensorModel
from fleet.scope import Scope

Ints = NDArray[np.int64]

KIND = DriftFlag.Kind.LOT
CODE = "bad_lot"
_CHECK = (
    "See whether its sensors that were out share a machine, a reference or a technician; if they "
    "do not, the lot is at fault: have it assessed under warranty."
)
_SENSOR = "calibration__sensor"


@dataclass(frozen=True)
class Counted:
    """A lot and what the looks at its sensors came to."""

    model: int
    model_name: str
    lot: str
    sensors: int
    looks: int
    out: int


def lots(sensor_model: SensorModel | None = None, *, scope: Scope) -> list[dict[str, Any]]:
    """Return every lot that the caller sees, with its share out of tolerance and its siblings'.

    `share` is `out` of `calibrations`; `q_value` is adjusted for all lots that the caller sees,
    whichever model is asked for. A lot without siblings cannot be tested.
    """
    rows = _compared(_counted(scope))
    if sensor_model is None:
        return rows
    return [row for row in rows if row["sensor_model"] == sensor_model.pk]


@transaction.atomic
def settle_lots(*, now: datetime, sensors: Collection[int] | None = None) -> FlagChange:
    """Keep one flag on each lot that stands out from its siblings, and close those that are gone.

    The flag stands on the calibration that showed the lot's worst sensor to be out (the surest,
    then the last); one that stands there already stays where it is. Whose verdicts changed since
    the last call is known; `sensors` are counted beside them. None: all are.
    """
    counting.count(sensors, now=now)
    names = ("pk", "sensor_model_id", "sensor_model__name", "lot", *counting.COUNTS)
    rows = list(counting.counted().values_list(*names))
    there = DriftFlag.objects.filter(kind=KIND).order_by()
    placed: set[UUID | None] = set(there.values_list("calibration_id", flat=True))
    compared = _compared([Counted(*rest) for _, *rest in rows])
    wanted = [
        _wanted(row, _spokesman(key, placed))
        for (key, *_), row in zip(rows, compared, strict=True)
        if row["stands_out"]
    ]
    still = there.exclude(status=DriftFlag.Status.CLOSED).values_list("sensor_id", flat=True)
    touched = sorted({want.sensor_id for want in wanted} | set(still))
    return flags.settle(touched, [KIND], wanted, now=now)


def _counted(scope: Scope) -> list[Counted]:
    """Count the looks that a caller sees, by model and lot."""
    every = looks(scope=scope).exclude(**{f"{_SENSOR}__lot": ""})
    table = columns.read(
        every.order_by(f"{_SENSOR}_id", *in_time("calibration__")).values_list(
            f"{_SENSOR}_id", "verdict"
        ),
        sensor="key",
        beyond=(str(Verdict.BEYOND),),
    )
    sensor, seen, first_out = until_out(table["sensor"], table["beyond"] == 0)
    model, lot = _lots_of(sensor)
    lots, of = np.unique(lot, return_inverse=True)
    group, place = np.unique(model * len(lots) + of, return_inverse=True)
    sums = [np.bincount(place, weights).tolist() for weights in (None, seen, first_out >= 0)]
    names = dict(SensorModel.objects.values_list("pk", "name"))
    found = [
        Counted(key // len(lots), names[key // len(lots)], str(lots[key % len(lots)]),
                int(sensors), int(looked), int(out))
        for key, sensors, looked, out in zip(group.tolist(), *sums, strict=True)
    ]  # fmt: skip
    return sorted(found, key=attrgetter("model_name", "model", "lot"))


def _lots_of(sensor: Ints) -> tuple[Ints, NDArray[np.str_]]:
    """Model and lot of each of these sensors."""
    rows = Sensor.objects.filter(columns.among("pk", sensor)).order_by("pk")
    model = columns.read(rows.values_list("model"), model="key")["model"]
    return model, columns.texts(rows.values_list("lot"))


def _compared(counted: Sequence[Counted]) -> list[dict[str, Any]]:
    """Every lot with its counts, its share and its test."""
    out, total, model = (
        np.array([getattr(each, name) for each in counted], dtype=np.int64)
        for name in ("out", "looks", "model")
    )
    shares = compare_lots(out, np.maximum(total, out), model)
    return [_row(shares, i, each) for i, each in enumerate(counted)]


def _row(shares: LotShares, i: int, counted: Counted) -> dict[str, Any]:
    tested = bool(shares.testable[i])
    share, siblings = float(shares.share[i]), float(shares.siblings_share[i])
    return {
        "sensor_model": counted.model,
        "sensor_model_name": counted.model_name,
        "lot": counted.lot,
        "sensors": counted.sensors,
        "calibrations": int(shares.total[i]),
        "out": int(shares.beyond[i]),
        "share": share,
        "low": float(shares.lower[i]),
        "high": float(shares.upper[i]),
        "siblings_share": siblings if tested else None,
        "p_value": float(shares.p[i]) if tested else None,
        "q_value": float(shares.q[i]) if tested else None,
        "stands_out": bool(shares.worse[i]) and share > siblings,
    }


def _spokesman(lot: int, placed: set[UUID | None]) -> LotLooks:
    """The sensor that carries the lot's flag."""
    outs = LotLooks.objects.filter(lot_count=lot, first_out__isnull=False).order_by("sensor_id")
    return max(outs, key=lambda row: (row.first_out_id in placed, row.p_out, row.sensor_id))


def _wanted(row: dict[str, Any], out: LotLooks) -> Wanted:
    share, siblings = 100.0 * row["share"], 100.0 * row["siblings_share"]
    says = (
        f"Lot {row['lot']} of {row['sensor_model_name']} leaves its tolerance more often than its "
        f"siblings: {share:.3g} % of its calibrations found a sensor out for the first time, "
        f"{siblings:.2g} % of theirs."
    )
    return Wanted(
        sensor_id=out.sensor_id,
        calibration_id=out.first_out_id,
        kind=str(KIND),
        level=str(DriftFlag.Level.BEYOND),
        magnitude=share,
        tolerance=siblings,
        causes=[
            {
                "code": CODE,
                "probability": 1.0 - row["q_value"],
                "says": says,
                "check": _CHECK,
            }
        ],
    )
