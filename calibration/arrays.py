"""Rows to arrays: the one place where units, dtypes and bulk reading meet."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, TypeVar
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np
from django.db import models
from numpy.typing import NDArray

from calibration.metrology.fit import Points
from calibration.models import STARTS_SEGMENT, Calibration, CalibrationPoint
from calibration.policies import OWN_WEIGHT_PCT
from fleet import seasons, units

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Row = TypeVar("Row", bound=models.Model)

DEFAULT_REPEATABILITY_PCT = 0.15
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_ORDER = ("sensor_id", "performed_at", "stage", "pk")
_COLUMNS = (
    "pk",
    "sensor_id",
    "performed_at",
    "reason",
    "installation_id",
    "reference_id",
    "installation__machine_id",
    "hydraulic_pressure",
    "pressure_unit",
    "sensor__model__reading_min",
    "sensor__model__reading_max",
    "sensor__tag_zero_reading",
    "sensor__tag_span_reading",
    "sensor__tag_span_load",
    "sensor__tag_load_unit",
    "sensor__lot",
    "reference__relative_uncertainty_pct",
    "load_unit",
    "reading_unit",
    "superseded_by",
    "sensor__model_id",
    "sensor__dealer_id",
    "sensor__model__rated_load",
    "sensor__model__load_unit",
    "sensor__model__reading_unit",
    "sensor__model__repeatability_pct",
    "dealer__timezone",
    "dealer__season_start",
)


@dataclass(frozen=True)
class History:
    """All calibrations of some sensors, sorted by sensor and time, as arrays of length M.

    Attributes
    ----------
    ids : list of UUID
    sensor, model, dealer : (M,) arrays
        Keys of the sensor, its model, and the dealer who has it now.
    day : (M,) array [days since 1970-01-01 UTC]
    season : (M,) array
        The year that names the season, by the calendar of the dealer who recorded it.
    starts_segment, superseded : (M,) arrays of bool
    installation, reference : (M,) arrays
        Keys; -1 where there is none.
    reference_pct : (M,) array [%]
    rated_load : (M,) array [N]
    lot : (M,) array of str
    extras : dict of (M,) arrays
        What only a diagnosis looks at; NaN where unknown. `machine` (key), `load_factor` [N],
        `reading_factor`, `reading_min`, `reading_max`, `tag_zero_reading`, `tag_span_reading`
        [reading], `tag_span_load` [N], `pressure` [kPa], `reading_sd` [reading].
    points : Points
        In newtons and readings of the sensor model.
    """

    ids: list[UUID]
    sensor: Ints
    model: Ints
    dealer: Ints
    day: Floats
    season: Ints
    starts_segment: NDArray[np.bool_]
    superseded: NDArray[np.bool_]
    installation: Ints
    reference: Ints
    reference_pct: Floats
    rated_load: Floats
    lot: NDArray[np.str_]
    extras: dict[str, Floats]
    points: Points

    def __len__(self) -> int:
        """Return M."""
        return len(self.ids)

    def take(self, index: Ints) -> "History":
        """Return the calibrations at these indices; their points stay as they were."""
        taken: dict[str, Any] = {
            name: values[index]
            for name, values in vars(self).items()
            if isinstance(values, np.ndarray)
        }
        extras = {name: values[index] for name, values in self.extras.items()}
        ids = [self.ids[i] for i in index.tolist()]
        return replace(self, ids=ids, extras=extras, **taken)


def read_history(sensor_ids: Sequence[int]) -> History | None:
    """Read every calibration of these sensors; None where there is none. Two queries."""
    rows = list(
        Calibration.objects.filter(sensor_id__in=sensor_ids)
        .order_by(*_ORDER)
        .values_list(*_COLUMNS)
    )
    if not rows:
        return None
    column: dict[str, Any] = dict(zip(_COLUMNS, zip(*rows, strict=True), strict=True))
    rated = np.array(column["sensor__model__rated_load"]) * np.array(
        [units.LOAD[unit] for unit in column["sensor__model__load_unit"]]
    )
    points = _points(sensor_ids, column, rated)
    return History(
        ids=list(column["pk"]),
        sensor=np.array(column["sensor_id"]),
        model=np.array(column["sensor__model_id"]),
        dealer=np.array(column["sensor__dealer_id"]),
        day=np.array([(moment - EPOCH) / timedelta(days=1) for moment in column["performed_at"]]),
        season=_seasons(column),
        starts_segment=np.array([reason in STARTS_SEGMENT for reason in column["reason"]]),
        superseded=np.array([by is not None for by in column["superseded_by"]]),
        installation=_keys(column["installation_id"]),
        reference=_keys(column["reference_id"]),
        reference_pct=np.array(
            [
                OWN_WEIGHT_PCT if pct is None else pct
                for pct in column["reference__relative_uncertainty_pct"]
            ]
        ),
        rated_load=rated,
        lot=np.array(column["sensor__lot"], dtype=np.str_),
        extras=_extras(column, points),
        points=points,
    )


def rows_of(
    model: type[Row], ids: Iterable[UUID], columns: dict[str, NDArray[Any]], **same: Any
) -> list[Row]:
    """Return rows keyed by calibration from columns of equal length; NaN becomes NULL."""
    lists = [
        [None if value != value else value for value in column.tolist()]  # noqa: PLR0124 - NaN
        for column in columns.values()
    ]
    names = list(columns)
    return [
        model(calibration_id=pk, **dict(zip(names, values, strict=True)), **same)
        for pk, *values in zip(ids, *lists, strict=True)
    ]


def day_to_date(day: float) -> date | None:
    """Return a day count as a date; None where the calendar ends before it."""
    try:
        return (EPOCH + timedelta(days=float(day))).date()
    except OverflowError:
        return None


def _keys(values: Sequence[int | None]) -> Ints:
    return np.array([-1 if value is None else value for value in values], dtype=np.int64)


def _seasons(column: dict[str, Any]) -> Ints:
    """Season of each record by the recording dealer's local day."""
    known: dict[tuple[str, str, date], int] = {}
    zones = {name: ZoneInfo(name) for name in set(column["dealer__timezone"])}
    found = []
    for moment, zone, start in zip(
        column["performed_at"],
        column["dealer__timezone"],
        column["dealer__season_start"],
        strict=True,
    ):
        key = (zone, start, moment.astimezone(zones[zone]).date())
        if key not in known:
            known[key] = seasons.season_of(key[2], start)
        found.append(known[key])
    return np.array(found, dtype=np.int64)


def _points(sensor_ids: Sequence[int], column: dict[str, Any], rated: Floats) -> Points:
    """Points in the same order, with the uncertainty that the sensor model states."""
    rows = (
        CalibrationPoint.objects.filter(calibration__sensor_id__in=sensor_ids)
        .order_by(*(f"calibration__{name}" for name in _ORDER), "number")
        .values_list("number", "load", "reading")
    )
    table = np.array(list(rows), dtype=np.float64).reshape(-1, 3)
    starts = np.flatnonzero(table[:, 0] == 1)
    counts = np.diff(np.append(starts, len(table)))
    load = table[:, 1] * np.repeat([units.LOAD[unit] for unit in column["load_unit"]], counts)
    reading = table[:, 2] * np.repeat(_reading_factors(column), counts)
    repeatability = _repeatability(np.array(column["sensor__model__repeatability_pct"]), counts)
    u_reading = repeatability / 100.0 * rated * _steepness(load, reading, starts)
    return Points(load, reading, np.zeros_like(load), np.repeat(u_reading, counts), counts)


def _reading_factors(column: dict[str, Any]) -> Floats:
    pairs = zip(column["reading_unit"], column["sensor__model__reading_unit"], strict=True)
    return np.array([units.reading_factor(unit, into) or 1.0 for unit, into in pairs])


def _extras(column: dict[str, Any], points: Points) -> dict[str, Floats]:
    def known(name: str) -> Floats:
        return np.array(column[name], dtype=np.float64)  # None becomes NaN

    per_kpa = [units.PRESSURE.get(unit, np.nan) for unit in column["pressure_unit"]]
    first = np.concatenate(([0], np.cumsum(points.counts)[:-1]))
    return {
        "machine": known("installation__machine_id"),
        "load_factor": np.array([units.LOAD[unit] for unit in column["load_unit"]]),
        "reading_factor": _reading_factors(column),
        "reading_min": known("sensor__model__reading_min"),
        "reading_max": known("sensor__model__reading_max"),
        "tag_zero_reading": known("sensor__tag_zero_reading"),
        "tag_span_reading": known("sensor__tag_span_reading"),
        "tag_span_load": known("sensor__tag_span_load")
        * np.array([units.LOAD.get(unit, np.nan) for unit in column["sensor__tag_load_unit"]]),
        "pressure": known("hydraulic_pressure") * np.array(per_kpa),
        "reading_sd": points.u_reading[first],
    }


def _repeatability(stated: Floats, counts: Ints) -> Floats:
    """The model's repeatability; two points cannot do without one, so they get the default."""
    return np.where((stated == 0) & (counts == 2), DEFAULT_REPEATABILITY_PCT, stated)


def _steepness(load: Floats, reading: Floats, starts: Ints) -> Floats:
    """Absolute reading per newton between the extremes: from load's to reading's scatter."""
    span = np.maximum.reduceat(load, starts) - np.minimum.reduceat(load, starts)
    rise = np.maximum.reduceat(reading, starts) - np.minimum.reduceat(reading, starts)
    return np.asarray(rise / span)
