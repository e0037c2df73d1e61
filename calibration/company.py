"""The company of a calibration: what other sensors did that day, or say on the same machine."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
from django.db.models import Q
from numpy.typing import NDArray

from calibration.arrays import EPOCH, History
from calibration.models import Fit, Judgement, Verdict

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_NEIGHBOURS = 64


@dataclass(frozen=True)
class Siblings:
    """Slope changes of other sensors, calibrated with the same references on the same days.

    Attributes
    ----------
    sensor, reference : (S,) arrays
    day : (S,) array
        Whole days since 1970-01-01 UTC.
    slope_pct, u_slope_pct : (S,) arrays [%]
    """

    sensor: Ints
    reference: Ints
    day: Ints
    slope_pct: Floats
    u_slope_pct: Floats


@dataclass(frozen=True)
class Company:
    """What is known beside the sensors in question.

    Attributes
    ----------
    siblings : Siblings
    neighbours : dict
        Index of a calibration -> (slope, offset) [reading/N], [reading] of each other sensor on
        its machine, as last calibrated before that day.
    """

    siblings: "Siblings"
    neighbours: dict[int, list[tuple[float, float]]]


def read_company(history: History, index: Ints) -> Company:
    """Read the company of the calibrations at these indices; two queries, or none for none."""
    return Company(read_siblings(history, index), read_neighbours(history, index))


def read_neighbours(history: History, index: Ints) -> dict[int, list[tuple[float, float]]]:
    """Read what is expected of the other sensors on the machines of these calibrations."""
    machine = history.extras["machine"]
    index = index[~np.isnan(machine[index])]
    if not len(index):
        return {}
    by_machine: dict[int, list[tuple[float, int, float, float]]] = defaultdict(list)
    rows = (
        Fit.objects.filter(
            calibration__installation__machine__in=np.unique(machine[index]).astype(int).tolist(),
            calibration__superseded_by__isnull=True,
        )
        .values_list(
            "calibration__installation__machine_id",
            "calibration__performed_at",
            "calibration__sensor_id",
            "slope",
            "offset",
        )
        .order_by("calibration__performed_at", "calibration_id")
    )
    for key, moment, sensor, slope, offset in rows:
        day = (moment - EPOCH) / timedelta(days=1)
        by_machine[key].append((day, sensor, slope, offset))
    return {
        i: _last_of_each(
            by_machine[int(machine[i])], np.floor(history.day[i]), int(history.sensor[i])
        )
        for i in index.tolist()
    }


def read_touched(history: History) -> frozenset[int]:
    """Read which other sensors' causes rest on these calibrations; one query."""
    machines = history.extras["machine"]
    same_machine = np.unique(machines[~np.isnan(machines)]).astype(int).tolist()
    named = history.reference != -1
    days = np.floor(history.day[named]).astype(int).tolist()
    pairs = set(zip(history.reference[named].tolist(), days, strict=True))
    rows = (
        Judgement.objects.exclude(verdict=Verdict.WITHIN)
        .exclude(calibration__sensor_id__in=np.unique(history.sensor).tolist())
        .filter(
            Q(calibration__installation__machine__in=same_machine)
            | Q(calibration__reference__in={reference for reference, _ in pairs})
        )
        .values_list(
            "calibration__sensor_id",
            "calibration__installation__machine_id",
            "calibration__reference_id",
            "calibration__performed_at",
        )
    )
    on_machines = set(same_machine)
    return frozenset(
        sensor
        for sensor, machine, reference, moment in rows
        if machine in on_machines or (reference, (moment - EPOCH).days) in pairs
    )


def _last_of_each(
    rows: list[tuple[float, int, float, float]], before: float, but: int
) -> list[tuple[float, float]]:
    last = {sensor: (slope, offset) for day, sensor, slope, offset in rows if day < before}
    last.pop(but, None)
    return list(last.values())[:MOST_NEIGHBOURS]


def read_siblings(history: History, index: Ints) -> Siblings:
    """Read what others did on the days of the calibrations at these indices; one query or none."""
    named = index[history.reference[index] != -1]
    rows: list[tuple[Any, ...]] = []
    if len(named):
        days = EPOCH + timedelta(days=float(np.floor(history.day[named].min())))
        until = EPOCH + timedelta(days=float(np.floor(history.day[named].max()) + 1))
        rows = list(
            Judgement.objects.filter(
                calibration__reference_id__in=np.unique(history.reference[named]).tolist(),
                calibration__performed_at__gte=days,
                calibration__performed_at__lt=until,
                slope_change_pct__isnull=False,
            )
            .exclude(calibration__sensor_id__in=np.unique(history.sensor).tolist())
            .order_by("calibration_id")
            .values_list(
                "calibration__sensor_id",
                "calibration__reference_id",
                "calibration__performed_at",
                "slope_change_pct",
                "u_slope_change_pct",
            )
        )
    return Siblings(
        sensor=np.array([row[0] for row in rows], dtype=np.int64),
        reference=np.array([row[1] for row in rows], dtype=np.int64),
        day=np.array([(row[2] - EPOCH).days for row in rows], dtype=np.int64),
        slope_pct=np.array([row[3] for row in rows], dtype=np.float64),
        u_slope_pct=np.array([row[4] for row in rows], dtype=np.float64),
    )
