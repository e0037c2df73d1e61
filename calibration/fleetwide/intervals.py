"""The interval that each sensor model's record asks for: learnt at the end of a scan, and applied.

What is learnt is the time for which a policy's target reliability holds, at its lower confidence
bound, from the as-found outcomes of the whole fleet. Due days are made from it (`due.days`), so
whatever changes here is applied to the model's sensors before the scan ends; a scan that dies in
between leaves `applied` false, and the next one goes on.
"""

from collections.abc import Callable
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import columns, due, learning
from calibration.beside import AT_ONCE
from calibration.fleetwide.lasting import outcomes_of
from calibration.fleetwide.looks import LOOK, looks, read_looks
from calibration.metrology import interval
from calibration.metrology.turnbull import Outcomes
from calibration.metrology.weibull import earliest_time
from calibration.models import ModelInterval
from calibration.policies import Rulebook
from fleet.models import Sensor
from fleet.scope import Scope

Ints = NDArray[np.int64]

METHOD = f"{interval.METHOD}+bound/1"
MOST_SENSORS = 20_000  # of a model; what more of them would teach is less than a day
_LONGEST = 3650.0
_SAID = ("lower_days", "longest_seen_days", "basis", "outcomes", "beyond")


def settle_intervals(
    *, everything: bool, now: datetime, told: Callable[[], None] = lambda: None
) -> list[int]:
    """Learn the intervals of sensor models anew where it is time, and apply what changed.

    A model is looked at again as in `learning.learn`; when a policy asks for another target
    reliability; and after a change of policy, which changes verdicts. Returns the models whose
    sensors' due days were made again. `told` is called often: a lease may have to be renewed.
    """
    _learn(everything=everything, now=now, told=told)
    waiting = list(ModelInterval.objects.filter(applied=False).order_by("pk"))
    models = sorted({row.sensor_model_id for row in waiting})
    for model in models:
        for some in _sensors(model):
            due.refresh(some.tolist(), now=now)
            told()
    for row in waiting:  # one that was learnt anew meanwhile stays to be applied
        ModelInterval.objects.filter(pk=row.pk, learnt_at=row.learnt_at).update(applied=True)
    return models


def _learn(*, everything: bool, now: datetime, told: Callable[[], None]) -> None:
    growth = learning.LEAST_GROWTH if everything else learning.GROWTH
    known: dict[int, list[ModelInterval]] = {}
    for row in ModelInterval.objects.order_by("pk"):
        known.setdefault(row.sensor_model_id, []).append(row)
    book = Rulebook()
    counted = learning.calibrations_of({model: rows[0] for model, rows in known.items()}, now)
    for model, count in sorted(counted.items()):
        rows, wanted = known.get(model, []), book.targets(model)
        up_to_date = {row.target for row in rows if row.method == METHOD} == wanted
        if up_to_date and all(count - row.calibrations < growth * count for row in rows):
            continue
        outcomes = outcomes_now(model, told)
        for target in sorted(wanted):
            _keep(model, target, _found(outcomes, target), count, now)
        ModelInterval.objects.filter(sensor_model=model).exclude(target__in=wanted).delete()
        told()


def outcomes_now(model: int, told: Callable[[], None] = lambda: None) -> Outcomes:
    """Return the as-found outcomes of a model's sensors, as they are judged now."""
    tables = []
    for some in _sample(model):
        rows = looks(scope=Scope.system()).filter(columns.around("calibration__sensor", some))
        tables.append(read_looks(rows.filter(calibration__sensor__model=model)))
        told()
    table = np.concatenate([np.empty(0, dtype=LOOK), *tables])
    return outcomes_of(table["sensor"], table["before"], table["at"], table["out"])


def _sample(model: int) -> list[Ints]:
    """Sensors of a model, in batches; of a great many every so many-th, by key."""
    ids = columns.read(
        Sensor.objects.filter(model=model).order_by("pk").values_list("pk"), pk="key"
    )["pk"]
    step = -(-len(ids) // MOST_SENSORS) or 1
    chosen = ids[::step]
    return [chosen[start : start + AT_ONCE] for start in range(0, len(chosen), AT_ONCE)]


def _sensors(model: int) -> list[Ints]:
    ids = columns.read(
        Sensor.objects.filter(model=model).order_by("pk").values_list("pk"), pk="key"
    )["pk"]
    return [ids[start : start + AT_ONCE] for start in range(0, len(ids), AT_ONCE)]


def _found(outcomes: Outcomes, target: float) -> dict[str, Any]:
    """What the outcomes say of a target, as its row keeps it."""
    found = interval.recalibration_interval(
        outcomes, target=target, default_days=_LONGEST, longest_days=_LONGEST
    )
    bound = None
    if found.law is not None:
        bound = min(earliest_time(found.law, outcomes, target, found.confidence), _LONGEST)
    ends = np.where(np.isfinite(outcomes.upper), outcomes.upper, outcomes.lower)
    return {
        "lower_days": bound,
        "longest_seen_days": float(ends.max()) if len(ends) else 0.0,
        "confidence": found.confidence,
        "basis": found.basis,
        "outcomes": found.outcomes,
        "beyond": found.beyond,
    }


def _keep(model: int, target: float, found: dict[str, Any], count: int, now: datetime) -> None:
    """Keep it; due days have to be made again only where what they rest on changed."""
    row = ModelInterval.objects.filter(sensor_model=model, target=target).first()
    same = row is not None and all(getattr(row, name) == found[name] for name in _SAID)
    nothing_new = row is None and found["lower_days"] is None
    applied = (same and row is not None and row.applied) or nothing_new
    ModelInterval.objects.update_or_create(
        sensor_model_id=model,
        target=target,
        defaults=found
        | {"calibrations": count, "learnt_at": now, "applied": applied, "method": METHOD},
    )
