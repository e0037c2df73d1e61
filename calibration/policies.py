"""Which tolerance policy holds for a sensor, and which sensors a changed rule touches."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Q

from calibration import columns
from calibration.columns import among
from calibration.models import (
    ModelInterval,
    PackedHistory,
    ReferenceStandard,
    StaleSensor,
    TolerancePolicy,
)
from fleet import units
from fleet.models import Dealer, Sensor, SensorModel
from fleet.statements import Statement
from fleet.updating import hold_all

# What a reference is taken to be worth where none is named: the unit's own weight as the support
# carries it. Common practice, no source; a named reference with a certificate is always better.
OWN_WEIGHT_PCT = 1.0
_NO_DEALER = 0  # no row has this key


@dataclass(frozen=True)
class Rule:
    """The policy that holds for a sensor, with its setpoints in newtons."""

    slope_tolerance_pct: float
    offset_tolerance_pct: float
    flag_probability: float
    watch_probability: float
    target_reliability: float
    default_interval_days: int
    longest_interval_days: int | None
    setpoints_n: tuple[float, ...]
    load_unit: str
    policy_id: int | None


_RULED = (
    "slope_tolerance_pct", "offset_tolerance_pct", "flag_probability", "watch_probability",
    "target_reliability", "default_interval_days", "longest_interval_days",
    "setpoints", "load_unit", "pk",
)  # fmt: skip
_POLICIES = Statement(
    lambda _: TolerancePolicy.objects.order_by("pk").values_list(
        "sensor_model_id", "dealer_id", *_RULED
    )
)


def _rule(*said: Any) -> Rule:
    *shares, setpoints, load_unit, key = said
    factor = units.LOAD[load_unit]
    in_newtons = tuple(value * factor for value in setpoints)
    return Rule(**dict(zip(_RULED, shares, strict=False)), setpoints_n=in_newtons,
                load_unit=load_unit, policy_id=key)  # fmt: skip


@cache
def _usual() -> Rule:
    """Return the rule where there is no policy at all."""
    policy = TolerancePolicy()
    return _rule(*(getattr(policy, name) for name in _RULED))


class Rulebook:
    """All policies at once: dealer and model, then model, then dealer, then site, then default."""

    def __init__(self) -> None:
        self._rules: Mapping[tuple[int | None, int | None], Rule] = {
            (model, dealer): _rule(*said) for model, dealer, *said in _POLICIES.all()
        }
        self._default = _usual()

    def rule(self, sensor_model_id: int, dealer_id: int) -> Rule:
        """Return the rule for sensors of this model at this dealer."""
        for key in (
            (sensor_model_id, dealer_id),
            (sensor_model_id, None),
            (None, dealer_id),
            (None, None),
        ):
            if key in self._rules:
                return self._rules[key]
        return self._default

    def targets(self, sensor_model_id: int) -> set[float]:
        """Return the target reliabilities that hold for this model at some dealer."""
        dealers = {dealer for _, dealer in self._rules if dealer is not None}
        some = [self.rule(sensor_model_id, dealer).target_reliability for dealer in dealers]
        return {self.rule(sensor_model_id, _NO_DEALER).target_reliability, *some}


def policy_for(sensor: Sensor) -> Rule:
    """Return the rule that holds for one sensor."""
    return Rulebook().rule(sensor.model_id, sensor.dealer_id)


def rules_for(sensor_ids: Sequence[int]) -> dict[int, Rule]:
    """Return the rule of each sensor, by its key, in two queries."""
    book = Rulebook()
    rows = Sensor.objects.filter(pk__in=sensor_ids).values_list("pk", "model_id", "dealer_id")
    return {pk: book.rule(model, dealer) for pk, model, dealer in rows}


def mark_stale(sensor_ids: Iterable[int], *, why: str, now: datetime) -> None:
    """Note that these sensors must be judged again.

    A note that is there already is written again, and so locked: a scan that is about to take it
    away has read what was before us.
    """
    # In one order for everybody, so that two who mark the same never wait for one another.
    sensor = np.array(sorted(sensor_ids), dtype=np.int64)
    kinds: dict[str, columns.Kind] = {"sensor": "key", "since": "moment"}
    values = {"sensor": sensor, "since": np.full(len(sensor), columns.moment_of(now))}
    rows = columns.Incoming(kinds, values, constants={"why": why[:80]})
    columns.upsert(StaleSensor, rows, kept=["since"])


def mark_anew(sensor_ids: Iterable[int], *, why: str, now: datetime) -> None:
    """Note that sensors must be judged again from their records: what is packed is out of date."""
    ids = list(sensor_ids)
    with transaction.atomic():
        packs = PackedHistory.objects.filter(among("pk", ids))
        hold_all(packs)
        packs.update(**PackedHistory.FORGOTTEN)
        mark_stale(ids, why=why, now=now)


def mark_rule_changed(
    row: TolerancePolicy | ReferenceStandard | SensorModel | Dealer, *, now: datetime
) -> None:
    """Note every sensor that a changed policy, reference, model or dealer's calendar touches."""
    sensors = Sensor.objects.all()
    if isinstance(row, TolerancePolicy):
        if row.sensor_model_id:
            sensors = sensors.filter(model=row.sensor_model_id)
        if row.dealer_id:
            sensors = sensors.filter(dealer=row.dealer_id)
    elif isinstance(row, SensorModel):
        sensors = sensors.filter(model=row)
    elif isinstance(row, Dealer):
        sensors = sensors.filter(Q(dealer=row) | Q(calibrations__dealer=row)).distinct()
    else:
        sensors = sensors.filter(calibrations__reference=row).distinct()
    if isinstance(row, TolerancePolicy):  # other verdicts: the next scan counts outcomes anew
        of_model = {"sensor_model": row.sensor_model_id} if row.sensor_model_id else {}
        ModelInterval.objects.filter(**of_model).update(calibrations=0)
    why = f"{row._meta.verbose_name} {row.pk} changed"
    # Units and seasons are packed with the records; tolerances and references are not.
    mark = mark_anew if isinstance(row, SensorModel | Dealer) else mark_stale
    mark(sensors.values_list("pk", flat=True), why=why, now=now)
