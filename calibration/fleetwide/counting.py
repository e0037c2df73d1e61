"""Looks counted by lot, and kept: what was judged anew is counted anew, the rest stands.

Each sensor adds its looks up to and including the one at which it was first found out. A row for
each sensor says what it added, a row for each lot the sum; whoever counts holds the one row that
says when that was done, so that nobody counts twice.
"""

from collections.abc import Collection
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Count, OuterRef, QuerySet, Subquery, Sum
from numpy.typing import NDArray

from calibration import columns, uncounted
from calibration.beside import AT_ONCE, Beside, Uuids, are_others, has_one
from calibration.fleetwide.looks import looks
from calibration.metrology.lots import surest, until_out
from calibration.models import LotCount, LotLooks, LotsCounted, Verdict, in_time
from calibration.uncounted import Looks
from fleet.models import Sensor
from fleet.scope import Scope
from fleet.updating import update

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

COUNTS = ("sensors", "looks", "out")
_A_FEW = 400  # for more sensors than these a planner reads every judgement there is


@dataclass(frozen=True)
class Share:
    """What each of N sensors adds to its lot.

    Attributes
    ----------
    lot : (N,) array
        Key of its `LotCount`; -1: it has no lot, or was never looked at.
    looks : (N,) array
        Up to and including the one at which it was first found out.
    first_out : (N,) array of V16
        That calibration; zeros where it was always in tolerance.
    p_out : (N,) array [1]
        How sure that was; NaN where it was always in tolerance.
    """

    lot: Ints
    looks: Ints
    first_out: Uuids
    p_out: Floats

    def differ(self, other: "Share") -> Bools:
        """Return where two differ, (N,)."""
        p_differs = (self.p_out != other.p_out) & ~(np.isnan(self.p_out) & np.isnan(other.p_out))
        return np.asarray(
            (self.lot != other.lot)
            | (self.looks != other.looks)
            | are_others(self.first_out, other.first_out)
            | p_differs
        )

    def take(self, where: Bools) -> "Share":
        """Return some of the sensors."""
        return Share(*(getattr(self, each.name)[where] for each in fields(self)))


@transaction.atomic
def count(sensors: Collection[int] | None, *, now: datetime) -> None:
    """Bring the counts up to date.

    Parameters
    ----------
    sensors
        Those whose judgements are to be read, beside those of whom it was noted (`uncounted`) what
        they add; None: count everything.
    """
    LotsCounted.objects.select_for_update().get_or_create(pk=1, defaults={"counted_at": now})
    noted = uncounted.take()
    anew = len(noted.sensor)
    if sensors is None or not LotCount.objects.exists():
        _count_everything()
    else:
        named = np.unique(np.array(list(sensors), dtype=np.int64))
        noted = _to_read(noted, named)
        if len(noted.sensor):
            _name_lots(noted.sensor)
            _add(*_count(noted, at_once=_A_FEW))
    if anew:
        LotsCounted.objects.filter(pk=1).update(counted_at=now)


def _count_everything() -> None:
    ids = columns.read(Sensor.objects.order_by("pk").values_list("pk"), pk="key")["pk"]
    _name_lots(ids)
    for start in range(0, len(ids), AT_ONCE):
        _count(_unread(ids[start : start + AT_ONCE]), at_once=AT_ONCE)
    _sum_up()


def counted() -> "QuerySet[LotCount]":
    """Return the counts of all lots of which a sensor was looked at, by model and lot."""
    order = ("sensor_model__name", "sensor_model", "lot")
    return LotCount.objects.filter(sensors__gt=0).order_by(*order)


def _unread(sensor: Ints) -> Looks:
    """Looks at sensors that are to be read."""
    nothing = np.zeros(len(sensor), dtype="V16"), np.full(len(sensor), np.nan)
    return Looks(sensor, np.full(len(sensor), -1, dtype=np.int64), *nothing)


def _to_read(noted: Looks, named: Ints) -> Looks:
    """What was noted, and the sensors that are named as such that are to be read."""
    every = _unread(np.union1d(noted.sensor, named))
    at = np.searchsorted(every.sensor, noted.sensor)
    every.looks[at] = np.where(np.isin(noted.sensor, named), -1, noted.looks)
    every.first_out[at], every.p_out[at] = noted.first_out, noted.p_out
    return every


def _count(noted: Looks, *, at_once: int) -> tuple[Share, Share]:
    """Write what these sensors add where it differs; return what those add now, and did."""
    sensor = noted.sensor
    found, before = _found(noted, at_once), _stored(sensor)
    differs = found.differ(before)
    sensor, found, before = sensor[differs], found.take(differs), before.take(differs)
    kept = found.lot != -1
    if not kept.all():
        LotLooks.objects.filter(sensor__in=sensor[~kept].tolist()).delete()
    columns.upsert(LotLooks, _rows(sensor[kept], found.take(kept)))
    return found, before


def _rows(sensor: Ints, share: Share) -> columns.Incoming:
    kinds: dict[str, columns.Kind] = {
        "sensor": "key", "lot_count": "key", "looks": "key", "first_out": "uuid", "p_out": "real"
    }  # fmt: skip
    added = (share.lot, share.looks, share.first_out, share.p_out)
    return columns.Incoming(kinds, dict(zip(kinds, (sensor, *added), strict=True)))


def _with_lots() -> "QuerySet[Sensor, Any]":
    its = LotCount.objects.filter(sensor_model=OuterRef("model"), lot=OuterRef("lot"))
    return Sensor.objects.exclude(lot="").annotate(its=Subquery(its.values("pk")))


_LOTS = Beside(_with_lots, {"lot": ("its", "key")}, key="pk")
_COUNTED = Beside(
    LotLooks.objects.all,
    {
        "lot": ("lot_count", "key"),
        "looks": ("looks", "key"),
        "first_out": ("first_out", "uuid"),
        "p_out": ("p_out", "real"),
    },
)


def _found(noted: Looks, at_once: int) -> Share:
    """What the sensors add: as noted, or by their judgements, of so many read with one query."""
    sensor, lot = noted.sensor, _LOTS.of(noted.sensor)["lot"]
    counts = (lot != -1) & (noted.looks > 0)
    nothing = _unread(sensor)
    share = Share(
        lot=np.where(counts, lot, -1),
        looks=np.where(counts, noted.looks, -1),
        first_out=np.where(counts, noted.first_out, nothing.first_out),
        p_out=np.where(counts, noted.p_out, np.nan),
    )
    asked = sensor[(lot != -1) & (noted.looks == -1)]
    for start in range(0, len(asked), at_once):
        some = asked[start : start + at_once]
        _lay(share, sensor, lot, some, _looks(columns.around("calibration__sensor", some)))
    return share


def _looks(asked: Any) -> dict[str, Any]:
    rows = looks(scope=Scope.system()).filter(asked)
    return columns.read(
        rows.order_by("calibration__sensor_id", *in_time("calibration__")).values_list(
            "calibration__sensor", "verdict", "pk", "p_out_slope", "p_out_offset"
        ),
        sensor="key",
        beyond=(str(Verdict.BEYOND),),
        calibration="uuid",
        p_slope="real",
        p_offset="real",
    )


def _lay(share: Share, sensor: Ints, lot: Ints, asked: Ints, table: dict[str, Any]) -> None:
    """Put what the looks at the sensors asked for came to beside the sensors."""
    which, seen, first_out = until_out(table["sensor"], table["beyond"] == 0)
    here = np.isin(which, asked)
    place = np.searchsorted(sensor, which)
    share.lot[place[here]] = lot[place[here]]
    share.looks[place[here]] = seen[here]
    out = here & (first_out >= 0)
    place, at = place[out], first_out[out]
    share.first_out[place] = table["calibration"][at]
    share.p_out[place] = surest(table["p_slope"][at], table["p_offset"][at])


def _stored(sensor: Ints) -> Share:
    """What the sensors added when they were last counted."""
    return Share(**_COUNTED.of(sensor))


def _name_lots(sensor: Ints) -> None:
    """Have a row for every lot of these sensors."""
    rows = Sensor.objects.filter(columns.among("pk", sensor)).exclude(lot="").order_by()
    missing = set(rows.values_list("model_id", "lot").distinct()) - set(
        LotCount.objects.values_list("sensor_model_id", "lot")
    )
    LotCount.objects.bulk_create(
        [LotCount(sensor_model_id=model, lot=lot) for model, lot in sorted(missing)]
    )


def _add(found: Share, before: Share) -> None:
    """Add the difference to the lots that it concerns."""
    lots, place = np.unique(np.concatenate([found.lot, before.lot]), return_inverse=True)
    new, old = place[: len(found.lot)], place[len(found.lot) :]
    more = _totals(found, new, len(lots)) - _totals(before, old, len(lots))
    change = {int(pk): more[:, i] for i, pk in enumerate(lots) if pk != -1 and more[:, i].any()}
    rows = list(LotCount.objects.filter(pk__in=change))
    for row in rows:
        for name, step in zip(COUNTS, change[row.pk].tolist(), strict=True):
            setattr(row, name, getattr(row, name) + step)
    update(rows, COUNTS)


def _totals(share: Share, place: Ints, width: int) -> Ints:
    """Sensors, looks and sensors out of each lot, (3, L)."""
    each = (np.ones(len(place)), share.looks, has_one(share.first_out))
    return np.stack([np.bincount(place, values, minlength=width) for values in each]).astype(
        np.int64
    )


def _sum_up() -> None:
    """Take every lot's sum from its sensors again."""
    sums = {
        pk: tuple(rest)
        for pk, *rest in LotLooks.objects.values_list("lot_count").annotate(
            Count("pk"), Sum("looks"), Count("first_out")
        )
    }
    wrong = []
    for row in LotCount.objects.all():
        sum_ = sums.get(row.pk, (0, 0, 0))
        if sum_ != tuple(getattr(row, name) for name in COUNTS):
            for name, value in zip(COUNTS, sum_, strict=True):
                setattr(row, name, value)
            wrong.append(row)
    update(wrong, COUNTS)
