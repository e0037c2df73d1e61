"""What the fleet teaches about its sensors: kept in tables, learnt by scans."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

import numpy as np
from django.db import transaction
from django.db.models import Count, Exists, FilteredRelation, OuterRef, Q, QuerySet
from numpy.typing import NDArray

from calibration import arrays, expecting
from calibration.adjusting import pairs_of
from calibration.cases import state_of, without_line
from calibration.columns import among
from calibration.expecting import Fleet
from calibration.metrology import fit
from calibration.metrology.fleetnoise import (
    DEFAULT,
    METHOD,
    MOST_SEGMENTS,
    model_noise,
    sibling_prior,
)
from calibration.metrology.series import Noise, Prior, Series
from calibration.models import Calibration, LotPrior, SensorModelNoise
from fleet.models import Sensor, SensorModel
from fleet.statements import Statement

COLUMNS = ("walk_slope", "walk_zero", "extra_slope", "extra_zero")
PRIOR = ("slope", "offset", "var_slope", "var_offset")
LEAST_GROWTH = 0.01
_FEW_LOTS = 100
NO_LOT = ""  # whoever is of no lot has no siblings in it
GROWTH = 0.1  # so many more calibrations, and a model is looked at again
_DEFAULT = tuple(value**2 for value in DEFAULT)
_NOBODY = (np.nan,) * len(PRIOR)


class Learnt(Protocol):
    """A row of what a model taught: how many calibrations it had then, and when that was."""

    calibrations: Any
    learnt_at: Any


_NOISE = Statement(
    lambda mark: (
        SensorModelNoise.objects.filter(among("pk", [mark])).order_by().values_list("pk", *COLUMNS)
    )
)


_OF_ONE = Statement(  # the lot's mark comes first in the SQL
    lambda mark: (
        SensorModel.objects.annotate(
            of_lot=FilteredRelation("lot_priors", condition=Q(lot_priors__lot=str(mark)))
        )
        .filter(pk=mark)
        .order_by()
        .values_list(
            *(f"noise__{name}" for name in COLUMNS), *(f"of_lot__{name}" for name in PRIOR)
        )
    )
)


def taught(model: NDArray[np.int64], lot: NDArray[np.str_]) -> Fleet:
    """Return what is known of segments whose sensors are of these models and lots.

    Documented defaults where nothing was learnt. Reads what concerns them, and nothing else.
    """
    models, where = np.unique(model, return_inverse=True)
    lots, of_lot = np.unique(lot, return_inverse=True)
    families, whose = np.unique(of_lot * len(models) + where, return_inverse=True)
    if len(models) == len(lots) == 1:  # as for one sensor
        return _of_one(int(models[0]), str(lots[0]), len(model))
    noise = {pk: tuple(values) for pk, *values in _NOISE.many(models.tolist())}
    first = {(key, of): tuple(values) for key, of, *values in _priors_of(models, lots)}
    known = [noise.get(key, _DEFAULT) for key in models.tolist()]
    keys = models[families % len(models)].tolist()
    names = zip(keys, lots[families // len(models)].tolist(), strict=True)
    seen_first = [first.get(name, _NOBODY) for name in names]
    return Fleet(
        Noise(*_rows(known, COLUMNS)[where].T),
        Prior(*_rows(seen_first, PRIOR)[whose].T),
    )


def _of_one(model: int, lot: str, segments: int) -> Fleet:
    """What is known of so many segments of sensors of one model and lot; one query."""
    rows = _OF_ONE.of(lot, model)
    said: Sequence[Any] = rows[0] if rows else (None,) * len((*COLUMNS, *PRIOR))
    noise, first = said[: len(COLUMNS)], said[len(COLUMNS) :]
    known: list[Sequence[float]] = [_DEFAULT if None in noise else noise] * segments
    seen_first: list[Sequence[float]] = [_NOBODY if None in first else first] * segments
    return Fleet(Noise(*_rows(known, COLUMNS).T), Prior(*_rows(seen_first, PRIOR).T))


def _priors_of(models: NDArray[np.int64], lots: NDArray[np.str_]) -> Iterable[Sequence[Any]]:
    rows = LotPrior.objects.filter(sensor_model__in=models.tolist())
    if len(lots) <= _FEW_LOTS:  # to name more costs more than to read what nobody asked for
        rows = rows.filter(lot__in=lots.tolist())
    return rows.values_list("sensor_model_id", "lot", *PRIOR)


def _rows(values: Sequence[Sequence[float]], names: tuple[str, ...]) -> NDArray[np.float64]:
    return np.array(values, dtype=np.float64).reshape(-1, len(names))


def learn(*, everything: bool = False, now: datetime) -> list[int]:
    """Learn the noise and first numbers of sensor models; return the models that changed.

    A model is looked at again when a tenth of its calibrations were recorded since it was learnt;
    when everything is asked for, when a hundredth were, or the method is another one. What is
    learnt from hardly more data hardly differs, and every verdict would follow it.
    """
    growth = LEAST_GROWTH if everything else GROWTH
    known = {row.pk: row for row in SensorModelNoise.objects.exclude(learnt_at=None)}
    changed = []
    for model, count in sorted(calibrations_of(known, now).items()):
        row = known.get(model)
        if row and count - row.calibrations < growth * count and row.method == METHOD:
            continue
        lives = _lives(model)
        if lives is None:
            continue
        noise, priors = _noise(lives, count, now), _priors(lives)
        # Both or nothing: a model with its noise is not looked at again for what is missing.
        with transaction.atomic():
            if _keep_noise(model, noise) + _keep_priors(model, priors):
                changed.append(model)
    return changed


def calibrations_of(known: Mapping[int, Learnt], now: datetime) -> dict[int, int]:
    """Return each model's calibrations: those it had when it was learnt, and those since.

    Records are never deleted, so that only what is new is counted; models of which nothing was
    learnt yet are counted whole.
    """
    until = Calibration.objects.filter(recorded_at__lte=now).order_by()
    found = {model: row.calibrations for model, row in known.items()}
    for since, models in _by_moment(known).items():
        recent = until.filter(recorded_at__gt=since, sensor__model__in=models)
        for model, count in _by_model(recent):
            found[model] += count
    unknown = list(SensorModel.objects.exclude(pk__in=known).values_list("pk", flat=True))
    if unknown:
        found.update(_by_model(until.filter(sensor__model__in=unknown)))
    return found


def _by_moment(known: Mapping[int, Learnt]) -> dict[datetime | None, list[int]]:
    """Models by the moment at which they were learnt: a scan learns many at one moment."""
    found: dict[datetime | None, list[int]] = {}
    for model, row in known.items():
        found.setdefault(row.learnt_at, []).append(model)
    return found


def _by_model(rows: "QuerySet[Calibration]") -> "QuerySet[Calibration, tuple[int, int]]":
    return rows.values_list("sensor__model").annotate(Count("pk"))


@dataclass(frozen=True)
class _Lives:
    """Segments of some sensors of one model, with their lots; `first` marks first segments."""

    series: Series
    lot: NDArray[np.str_]
    first: NDArray[np.bool_]


def _lives(model: int) -> _Lives | None:
    calibrated = Exists(Calibration.objects.filter(sensor=OuterRef("pk")))
    sensors = Sensor.objects.filter(calibrated, model=model).order_by("pk")
    ids = list(sensors.values_list("pk", flat=True)[:MOST_SEGMENTS])
    history = arrays.read_history(ids) if ids else None
    if history is None:
        return None
    lines = fit.fit_lines(history.points, history.reference_pct)
    keep = np.flatnonzero(~without_line(history, lines).superseded)
    if not len(keep):
        return None
    state, history = state_of(lines, history.reference_pct, keep), history.take(keep)
    pairs = pairs_of(history, state)
    series = expecting.series_of(history, state, pairs, np.ones(len(history), dtype=bool))
    return _Lives(series, history.lot[series.first], pairs.segment[series.first] == 1)


def _noise(lives: _Lives, count: int, now: datetime) -> dict[str, Any]:
    """The noise of a model as its row keeps it."""
    found = model_noise(lives.series, np.zeros(len(lives.lot), dtype=np.int64), 1)
    learnt = tuple(float(getattr(found, name)[0]) for name in COLUMNS)
    return dict(zip(COLUMNS, learnt if found.estimated[0] else _DEFAULT, strict=True)) | {
        "calibrations": count,
        "learnt_at": now,
        "steps": int(found.steps[0]),
        "estimated": bool(found.estimated[0]),
        "method": METHOD,
    }


def _priors(lives: _Lives) -> dict[str, tuple[float, ...]]:
    """What sensors of each lot showed first, where enough of them are known."""
    names, family = np.unique(lives.lot, return_inverse=True)
    family = np.where(lives.first & (lives.lot != NO_LOT), family.reshape(-1), -1)
    prior = sibling_prior(lives.series, family)
    return {
        str(names[family[i]]): tuple(float(getattr(prior, name)[i]) for name in PRIOR)
        for i in np.flatnonzero((family >= 0) & np.isfinite(prior.slope)).tolist()
    }


def _keep_noise(model: int, wanted: dict[str, Any]) -> int:
    """Keep the noise; whether it changed (that the count did is no change)."""
    stored = SensorModelNoise.objects.filter(pk=model).values(*COLUMNS).first()
    SensorModelNoise.objects.update_or_create(pk=model, defaults=wanted)
    return int(stored != {name: wanted[name] for name in COLUMNS})


def _keep_priors(model: int, wanted: dict[str, tuple[float, ...]]) -> int:
    """Keep the first numbers; how many changed."""
    rows = LotPrior.objects.filter(sensor_model=model).values_list("lot", *PRIOR)
    stored = {lot: tuple(values) for lot, *values in rows}
    for lot, values in wanted.items():
        if stored.get(lot) != values:
            LotPrior.objects.update_or_create(
                sensor_model_id=model, lot=lot, defaults=dict(zip(PRIOR, values, strict=True))
            )
    gone = stored.keys() - wanted.keys()
    LotPrior.objects.filter(sensor_model=model, lot__in=gone).delete()
    return len(gone) + sum(stored.get(lot) != values for lot, values in wanted.items())
