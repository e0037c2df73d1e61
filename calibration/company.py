"""The company of a calibration: what other sensors did that day, or say on the same machine."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from django.db.models import Q
from numpy.typing import NDArray

from calibration.arrays import EPOCH, History
from calibration.metrology.pairing import NONE, Pairs
from calibration.models import Fit, Judgement, ReferenceStandard
from calibration.policies import OWN_WEIGHT_PCT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_NEIGHBOURS = 64
_FEW = 40  # up to this many days and seasons are asked for one by one, more in one range


@dataclass(frozen=True)
class Siblings:
    """Steps of calibrations that may share something with those in question.

    Attributes
    ----------
    sensor, reference, reference_before : (S,) arrays
        Keys; a reference of -1 is the unit's own weight.
    season : (S,) array
    day : (S,) array [days since 1970-01-01 UTC]
    reference_pct, reference_before_pct : (S,) arrays [%]
    step, u_step : (S,) arrays [1]
        Relative change of slope since the calibration before in the segment, and its standard
        uncertainty without the references' share.
    """

    sensor: Ints
    reference: Ints
    reference_before: Ints
    season: Ints
    day: Floats
    step: Floats
    u_step: Floats
    reference_pct: Floats
    reference_before_pct: Floats


def read_siblings(history: History, pairs: Pairs) -> Siblings:
    """Read the steps of other sensors on the days and in the seasons of these; one query."""
    condition = _company_of(history, pairs)
    rows: list[tuple[Any, ...]] = []
    if condition is not None:
        rows = list(
            Judgement.objects.filter(condition, step__isnull=False)
            .exclude(calibration__sensor_id__in=np.unique(history.sensor).tolist())
            .values_list(
                "calibration__sensor_id",
                "calibration__reference_id",
                "step_reference",
                "season",
                "calibration__performed_at",
                "step",
                "u_step",
            )
        )
    column = list(zip(*rows, strict=True)) if rows else [()] * 7
    keys = [np.array(values, dtype=np.int64) for values in column[:4]]
    pct, pct_before = _uncertainties(keys[1], keys[2])
    return Siblings(
        sensor=keys[0],
        reference=keys[1],
        reference_before=keys[2],
        season=keys[3],
        day=np.array([_day(moment) for moment in column[4]], dtype=np.float64),
        step=np.array(column[5], dtype=np.float64),
        u_step=np.array(column[6], dtype=np.float64),
        reference_pct=pct,
        reference_before_pct=pct_before,
    )


def _uncertainties(now: Ints, before: Ints) -> tuple[Floats, Floats]:
    """Relative standard uncertainties [%] of references by their keys; -1 is an own weight."""
    keys = np.unique(np.concatenate((now, before)))
    known = dict(
        ReferenceStandard.objects.filter(pk__in=keys.tolist()).values_list(
            "pk", "relative_uncertainty_pct"
        )
    )
    table = np.array([known.get(key, OWN_WEIGHT_PCT) for key in keys.tolist()], dtype=np.float64)
    return table[np.searchsorted(keys, now)], table[np.searchsorted(keys, before)]


def _company_of(history: History, pairs: Pairs) -> Q | None:
    """Whom to ask: those of one reference and day; where it changed, those of one season."""
    before = pairs.before
    named = (before != NONE) & (history.reference != NONE)
    if not named.any():
        return None
    changed = named & (history.reference[before] != history.reference)
    changed &= history.reference[before] != NONE
    days = set(zip(history.reference[named].tolist(), _days(history, named), strict=True))
    years = set(
        zip(history.reference[changed].tolist(), history.season[changed].tolist(), strict=True)
    )
    if len(days) + len(years) > _FEW:
        return _in_one_range(history, named, changed)
    condition = Q()
    for reference, day in sorted(days):
        start = EPOCH + timedelta(days=day)
        condition |= Q(
            calibration__reference=reference,
            calibration__performed_at__gte=start,
            calibration__performed_at__lt=start + timedelta(days=1),
        )
    for reference, season in sorted(years):
        condition |= Q(calibration__reference=reference, season=season)
    return condition


def _in_one_range(history: History, named: NDArray[np.bool_], changed: NDArray[np.bool_]) -> Q:
    days = _days(history, named)
    first = EPOCH + timedelta(days=min(days))
    until = EPOCH + timedelta(days=max(days) + 1)
    return Q(
        calibration__reference__in=np.unique(history.reference[named]).tolist(),
        calibration__performed_at__gte=first,
        calibration__performed_at__lt=until,
    ) | Q(
        calibration__reference__in=np.unique(history.reference[changed]).tolist(),
        season__in=np.unique(history.season[changed]).tolist(),
    )


def _days(history: History, which: NDArray[np.bool_]) -> list[int]:
    days: list[int] = np.floor(history.day[which]).astype(np.int64).tolist()
    return days


def _day(moment: datetime) -> float:
    return (moment - EPOCH) / timedelta(days=1)


def read_neighbours(history: History, index: Ints) -> dict[int, list[tuple[float, float]]]:
    """Read what is expected of the other sensors on the machines of these calibrations.

    Returns
    -------
    dict
        Index of a calibration -> (slope, offset) [reading/N], [reading] of each other sensor on
        its machine, as last calibrated before that day. One query, or none for none.
    """
    machine = history.extras["machine"]
    index = index[~np.isnan(machine[index])]
    if not len(index):
        return {}
    by_machine: dict[int, list[tuple[float, int, float, float]]] = defaultdict(list)
    for key, moment, sensor, slope, offset in _fits_on(machine[index]):
        by_machine[key].append((_day(moment), sensor, slope, offset))
    return {
        i: _last_of_each(
            by_machine[int(machine[i])], np.floor(history.day[i]), int(history.sensor[i])
        )
        for i in index.tolist()
    }


def _fits_on(machines: Floats) -> Iterator[tuple[int, datetime, int, float, float]]:
    return iter(
        Fit.objects.filter(
            calibration__installation__machine__in=np.unique(machines).astype(int).tolist(),
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


def _last_of_each(
    rows: list[tuple[float, int, float, float]], before: float, but: int
) -> list[tuple[float, float]]:
    last = {sensor: (slope, offset) for day, sensor, slope, offset in rows if day < before}
    last.pop(but, None)
    return [last[sensor] for sensor in sorted(last)][:MOST_NEIGHBOURS]


def read_touched(history: History, pairs: Pairs) -> frozenset[int]:
    """Read which other sensors' verdicts rest on these calibrations; two queries.

    Those that share a day or a changed reference with them, and those of the same machine: a
    neighbour's numbers tell whether cables were swapped.
    """
    machines = history.extras["machine"]
    same_machine = np.unique(machines[~np.isnan(machines)]).astype(int).tolist()
    rows = Judgement.objects.filter(calibration__installation__machine__in=same_machine)
    found = set(rows.values_list("calibration__sensor_id", flat=True))
    condition = _company_of(history, pairs)
    if condition is not None:
        sharing = Judgement.objects.filter(condition, step__isnull=False)
        found |= set(sharing.values_list("calibration__sensor_id", flat=True))
    return frozenset(found - set(np.unique(history.sensor).tolist()))
