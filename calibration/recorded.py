"""What was recorded of some sensors, as arrays: read from the records, and packed so."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import F
from numpy.typing import NDArray

from calibration import calendars, columns
from calibration.models import IN_TIME, STARTS_SEGMENT, Calibration, CalibrationPoint, Stage
from fleet import units
from fleet.models import Dealer
from fleet.statements import Statement

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ORDER = ("sensor_id", *IN_TIME)
_LOADS, _READINGS, _PRESSURES = tuple(units.LOAD), tuple(units.READING), tuple(units.PRESSURE)
_STARTS = tuple(str(reason) for reason in STARTS_SEGMENT)
_BETWEEN_READINGS = np.array(
    [[units.reading_factor(unit, into) or 1.0 for into in _READINGS] for unit in _READINGS]
)

# What is said once for each calibration, as the kernel wants it; packed histories hold it so.
HEAD = np.dtype(
    [
        ("id", "V16"),
        ("moment", "<i8"),  # microseconds since 1970 UTC
        ("season", "<i2"),
        ("starts_segment", "?"),
        ("superseded", "?"),
        ("as_found", "?"),
        ("points", "<u2"),
        ("installation", "<i4"),
        ("machine", "<i4"),
        ("reference", "<i4"),
        ("load_factor", "<f8"),  # to newtons
        ("reading_factor", "<f8"),  # to the reading unit of the sensor model
        ("pressure", "<f8"),  # kPa
    ]
)


@dataclass(frozen=True)
class Recorded:
    """What was recorded of some sensors, sorted by sensor and time.

    Attributes
    ----------
    sensor : (M,) array
    heads : (M,) array of HEAD
    points : (P, 2) array
        Loads and readings as they were typed; `heads["points"]` says how many each has.
    """

    sensor: Ints
    heads: NDArray[np.void]
    points: Floats

    def __len__(self) -> int:
        """Return M."""
        return len(self.sensor)

    def __add__(self, other: "Recorded") -> "Recorded":
        """Return both, one after the other; they may have to be sorted."""
        return Recorded(
            np.concatenate((self.sensor, other.sensor)),
            np.concatenate((self.heads, other.heads)),
            np.concatenate((self.points, other.points)),
        )

    def of(self, sensor: Ints) -> "Recorded":
        """Return what was recorded of these sensors."""
        chosen = np.flatnonzero(np.isin(self.sensor, sensor))
        return self if len(chosen) == len(self) else self.take(chosen)

    def without(self, sensor: Ints) -> "Recorded":
        """Return what was recorded of all but these sensors."""
        return self.take(np.flatnonzero(~np.isin(self.sensor, sensor))) if len(sensor) else self

    def take(self, index: Ints) -> "Recorded":
        """Return the records at these indices, with their points."""
        count = self.heads["points"].astype(np.int64)
        start = (np.cumsum(count) - count)[index]
        count = count[index]
        within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        points = self.points[np.repeat(start, count) + within]
        return Recorded(self.sensor[index], self.heads[index], points)


def merged(one: Recorded, other: Recorded) -> Recorded:
    """Return both, sorted by sensor; no sensor is in both."""
    both = one + other
    return both.take(np.argsort(both.sensor, kind="stable"))


_FIELDS: dict[str, tuple[str, columns.Kind]] = {
    "id": ("pk", "uuid"),
    "sensor": ("sensor_id", "key"),
    "moment": ("performed_at", "moment"),
    "dealer": ("dealer_id", "key"),
    "reason": ("reason", _STARTS),
    "stage": ("stage", (str(Stage.AS_FOUND),)),
    "superseded_by": ("superseded_by__chain_number", "key"),
    "installation": ("installation_id", "key"),
    "machine": ("installation__machine_id", "key"),
    "reference": ("reference_id", "key"),
    "load_unit": ("load_unit", _LOADS),
    "reading_unit": ("reading_unit", _READINGS),
    "model_unit": ("sensor__model__reading_unit", _READINGS),
    "pressure": ("hydraulic_pressure", "real"),
    "pressure_unit": ("pressure_unit", _PRESSURES),
}
_SAID = columns.Reading(lambda: Calibration.objects.order_by(*_ORDER), "sensor", _FIELDS)
_POINT: dict[str, tuple[str, columns.Kind]] = {
    "number": ("number", "key"),
    "load": ("load", "real"),
    "reading": ("reading", "real"),
}
_POINTS = columns.Reading(
    lambda: CalibrationPoint.objects.order_by(
        *(f"calibration__{name}" for name in _ORDER), "number"
    ),
    "calibration__sensor",
    _POINT,
)


def read_recorded(sensor_ids: Sequence[int]) -> Recorded:
    """Read the records of these sensors; three queries."""
    keys = np.array(sensor_ids, dtype=np.int64)
    rows, points = _SAID.of(keys), _POINTS.of(keys)
    starts = np.flatnonzero(points["number"] == 1)
    counts = np.diff(np.append(starts, len(points["number"])))
    return Recorded(rows["sensor"], _heads(rows, counts), _typed(points))


# From the packs' side, so that the rest of a chain is one stretch of its index.
_LATER = columns.Reading(
    lambda: Calibration.objects.filter(sensor__pack__calibrations__lt=F("chain_number")).order_by(
        *_ORDER
    ),
    "sensor__pack__sensor",
    {
        **_FIELDS,
        "chain_number": ("chain_number", "key"),
        "supersedes": ("supersedes_id", "uuid"),
    },
)
_THEIR_POINTS = columns.Reading(
    lambda: CalibrationPoint.objects.order_by("calibration_id", "number"),
    "calibration",
    {"of": ("calibration_id", "uuid"), **_POINT},
    uuids=True,
)


@dataclass(frozen=True)
class Later:
    """Records that are not in their sensor's pack.

    Attributes
    ----------
    recorded : Recorded
    chain_number : (M,) array
        Which of its sensor's records each is, counted from 1.
    supersedes : (M,) array of V16
        The record that it replaces; zeros where it replaces none.
    """

    recorded: Recorded
    chain_number: Ints
    supersedes: NDArray[np.void]


def read_later(sensor_ids: Sequence[int]) -> Later:
    """Read the records of these sensors that came after those in their packs; three queries."""
    rows = _LATER.of(np.array(sensor_ids, dtype=np.int64))
    points = _THEIR_POINTS.of(rows["id"])
    starts = np.flatnonzero(points["number"] == 1)
    whose, _ = columns.located(rows["id"], points["of"][starts])
    counts = np.zeros(len(rows["id"]), dtype=np.int64)
    counts[whose] = np.diff(np.append(starts, len(points["number"])))
    heads = _heads(rows, counts)
    recorded = Recorded(rows["sensor"][whose], heads[whose], _typed(points))
    in_order = recorded.take(np.argsort(whose))
    return Later(in_order, rows["chain_number"], rows["supersedes"])


def _typed(points: Mapping[str, NDArray[Any]]) -> Floats:
    return np.stack([points["load"], points["reading"]], axis=1)


def _heads(rows: Mapping[str, NDArray[Any]], points: Ints) -> NDArray[np.void]:
    """What is said once for each record, in the order of the rows."""
    heads = np.zeros(len(rows["id"]), dtype=HEAD)
    for name in ("id", "moment", "installation", "machine", "reference"):
        heads[name] = rows[name]
    if len(heads):
        heads["season"] = _seasons(rows["dealer"], rows["moment"])
    heads["starts_segment"] = rows["reason"] >= 0
    heads["superseded"] = rows["superseded_by"] >= 0
    heads["as_found"] = rows["stage"] == 0
    heads["points"] = points
    heads["load_factor"] = factors(units.LOAD.values())[rows["load_unit"]]
    heads["reading_factor"] = _BETWEEN_READINGS[rows["reading_unit"], rows["model_unit"]]
    heads["pressure"] = rows["pressure"] * factors(units.PRESSURE.values())[rows["pressure_unit"]]
    return heads


def factors(values: Iterable[float]) -> Floats:
    """Return the values, and NaN at the place of a missing code, -1."""
    return np.array([*values, np.nan])


_CALENDARS = Statement(
    lambda mark: (
        Dealer.objects.filter(columns.among("pk", [mark]))
        .order_by("pk")
        .values_list("timezone", "season_start")
    )
)


def _seasons(dealer: Ints, moment: Ints) -> Ints:
    """Season of each record by the recording dealer's local day."""
    keys, of = np.unique(dealer, return_inverse=True)
    zones, starts = zip(*_CALENDARS.many(keys.tolist()), strict=True)
    start = np.array([calendars.start_number(text) for text in starts], dtype=np.int64)
    return calendars.seasons_of(calendars.local_days(moment, of, zones), start[of])
