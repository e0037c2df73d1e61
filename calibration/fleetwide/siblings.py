"""Lots against their siblings: which of a sensor model drifts more than the others.

A lot is judged by its looks (as-found calibrations, `fleetwide.looks`) up to and including the one
at which a sensor was first found beyond its tolerance. So each sensor counts as out once, an old
lot that was looked at more often is not worse for it, and a repair makes nobody forget. A sensor
without a lot takes no part.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

import numpy as np
from django.db import transaction
from django.db.models import Count

from calibration import flags
from calibration.flags import FlagChange, Wanted
from calibration.fleetwide.looks import looks
from calibration.metrology.lots import LotShares, compare_lots
from calibration.models import DriftFlag, Verdict
from fleet.models import SensorModel
from fleet.scope import Scope

KIND = DriftFlag.Kind.LOT
CODE = "bad_lot"
_CHECK = (
    "See whether its sensors that were out share a machine, a reference or a technician; if they "
    "do not, the lot is at fault: have it assessed under warranty."
)
_SENSOR, _MODEL, _LOT = (f"calibration__sensor{end}" for end in ("_id", "__model_id", "__lot"))
Key = tuple[int, str]  # sensor model and lot


@dataclass(frozen=True)
class FirstOut:
    """The look at which a sensor was first found out, and how many looks came after it."""

    key: Key
    sensor_id: int
    calibration_id: UUID
    p_out: float
    later: int


def lots(sensor_model: SensorModel | None = None, *, scope: Scope) -> list[dict[str, Any]]:
    """Return every lot that the caller sees, with its share out of tolerance and its siblings'.

    `share` is `out` of `calibrations`; `q_value` is adjusted for all lots that the caller sees,
    whichever model is asked for. A lot without siblings cannot be tested.
    """
    rows = _compared(_first_outs(scope), scope)
    if sensor_model is None:
        return rows
    return [row for row in rows if row["sensor_model"] == sensor_model.pk]


@transaction.atomic
def settle_lots(*, now: datetime) -> FlagChange:
    """Keep one flag on each lot that stands out from its siblings, and close those that are gone.

    The flag stands on the calibration that showed the lot's worst sensor to be out (the surest,
    then the last); one that stands there already stays where it is.
    """
    scope = Scope.system()
    outs = _first_outs(scope)
    there = DriftFlag.objects.filter(kind=KIND)
    placed = set(there.values_list("calibration_id", flat=True))
    wanted = [
        _wanted(row, _spokesman([out for out in outs if out.key == _key(row)], placed))
        for row in _compared(outs, scope)
        if row["stands_out"]
    ]
    still = there.exclude(status=DriftFlag.Status.CLOSED).values_list("sensor_id", flat=True)
    touched = sorted({want.sensor_id for want in wanted} | set(still))
    return flags.settle(touched, [KIND], wanted, now=now)


def _first_outs(scope: Scope) -> list[FirstOut]:
    """The first look at which each sensor was found out, in order of time."""
    every = looks(scope=scope).exclude(**{_LOT: ""})
    out = every.filter(verdict=Verdict.BEYOND).values(_SENSOR)
    rows = list(
        every.filter(calibration__sensor__in=out)
        .order_by(_SENSOR, "calibration__performed_at", "pk")
        .values_list(_SENSOR, _MODEL, _LOT, "pk", "verdict", "p_out_slope", "p_out_offset")
    )
    sensor = np.array([row[0] for row in rows], dtype=np.int64)
    beyond = np.flatnonzero([row[4] == Verdict.BEYOND for row in rows])
    which, first = np.unique(sensor[beyond], return_index=True)
    at = beyond[first]
    later = np.searchsorted(sensor, which, side="right") - at - 1
    return [
        FirstOut(
            key=(rows[i][1], rows[i][2]),
            sensor_id=rows[i][0],
            calibration_id=rows[i][3],
            p_out=max(rows[i][5] or 0.0, rows[i][6] or 0.0),
            later=after,
        )
        for i, after in zip(at.tolist(), later.tolist(), strict=True)
    ]


def _compared(outs: list[FirstOut], scope: Scope) -> list[dict[str, Any]]:
    """Every lot with its counts, its share and its test."""
    groups = list(
        looks(scope=scope)
        .exclude(**{_LOT: ""})
        .values_list(_MODEL, "calibration__sensor__model__name", _LOT)
        .annotate(looks=Count("pk"), sensors=Count(_SENSOR, distinct=True))
        .order_by("calibration__sensor__model__name", _MODEL, _LOT)
    )
    number = {(model, lot): i for i, (model, _, lot, *_) in enumerate(groups)}
    place = np.array([number[out.key] for out in outs], dtype=np.int64)
    later = np.array([out.later for out in outs], dtype=np.float64)
    out = np.bincount(place, minlength=len(groups)).astype(np.int64)
    after = np.bincount(place, later, minlength=len(groups)).astype(np.int64)
    total = np.array([group[3] for group in groups], dtype=np.int64) - after
    model = np.array([group[0] for group in groups], dtype=np.int64)
    shares = compare_lots(out, np.maximum(total, out), model)
    return [_row(shares, i, group) for i, group in enumerate(groups)]


def _row(shares: LotShares, i: int, group: tuple[int, str, str, int, int]) -> dict[str, Any]:
    tested = bool(shares.testable[i])
    share, siblings = float(shares.share[i]), float(shares.siblings_share[i])
    return {
        "sensor_model": group[0],
        "sensor_model_name": group[1],
        "lot": group[2],
        "sensors": group[4],
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


def _key(row: dict[str, Any]) -> Key:
    return row["sensor_model"], row["lot"]


def _spokesman(outs: list[FirstOut], placed: set[UUID]) -> FirstOut:
    """The sensor that carries the lot's flag."""
    return max(
        enumerate(outs), key=lambda it: (it[1].calibration_id in placed, it[1].p_out, it[0])
    )[1]


def _wanted(row: dict[str, Any], out: FirstOut) -> Wanted:
    share, siblings = 100.0 * row["share"], 100.0 * row["siblings_share"]
    says = (
        f"Lot {row['lot']} of {row['sensor_model_name']} leaves its tolerance more often than its "
        f"siblings: {share:.3g} % of its calibrations found a sensor out for the first time, "
        f"{siblings:.2g} % of theirs."
    )
    return Wanted(
        sensor_id=out.sensor_id,
        calibration_id=out.calibration_id,
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
