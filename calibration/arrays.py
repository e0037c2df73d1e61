"""From what was recorded to a history: with the sensors, in newtons, with uncertainties."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from calibration import columns
from calibration.calendars import DAY_US
from calibration.metrology.fit import Points
from calibration.recorded import Recorded, factors, read_recorded
from calibration.references import References, read_references
from fleet import units
from fleet.models import Sensor, SensorModel
from fleet.statements import Statement

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DEFAULT_REPEATABILITY_PCT = 0.15
MINUTE_US = 60_000_000
MINUTES = 1 << 33  # more than any count of them since 1970
VISIT = 720  # minutes: what lies less apart was done on the same visit, with the same cables
_ROUNDING = 1e-14  # of the readings' variance: a ten-millionth of their spread
_LOADS = tuple(units.LOAD)
_FEW = 32  # sensors that are read with their models, each


@dataclass(frozen=True)
class History:
    """All calibrations of some sensors, sorted by sensor and time, as arrays of length M.

    Attributes
    ----------
    ids : (M,) array of V16
        The sixteen bytes of each UUID.
    sensor, model, dealer : (M,) arrays
        Keys of the sensor, its model, and the dealer who has it now.
    moment : (M,) array [microseconds since 1970-01-01 UTC]
    day : (M,) array [days since 1970-01-01 UTC]
    date : (M,) array [whole days since 1970-01-01]
        By the clock of the reference's owner.
    season : (M,) array
        The year that names the season, by the calendar of the dealer who recorded it.
    starts_segment, superseded, as_found : (M,) arrays of bool
    installation, reference : (M,) arrays
        Keys; -1 where there is none.
    reference_pct : (M,) array [%]
    references : References
        All of them.
    rated_load : (M,) array [N]
    lot : (M,) array of str
    extras : dict of (M,) arrays
        What only a diagnosis looks at; NaN where unknown. `machine` (key), `load_factor` [N],
        `reading_factor`, `reading_min`, `reading_max`, `tag_zero_reading`, `tag_span_reading`
        [reading], `tag_span_load` [N], `pressure` [kPa], `reading_sd` [reading].
    points : Points
        In newtons and readings of the sensor model.
    """

    ids: NDArray[np.void]
    sensor: Ints
    model: Ints
    dealer: Ints
    moment: Ints
    day: Floats
    date: Ints
    season: Ints
    starts_segment: NDArray[np.bool_]
    superseded: NDArray[np.bool_]
    as_found: NDArray[np.bool_]
    installation: Ints
    reference: Ints
    reference_pct: Floats
    references: References
    rated_load: Floats
    lot: NDArray[np.str_]
    extras: dict[str, Floats]
    points: Points

    @property
    def minute(self) -> Ints:
        """Whole minutes since 1970-01-01 UTC, (M,)."""
        return self.moment // MINUTE_US

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
        return replace(self, extras=extras, **taken)


def read_history(sensor_ids: Sequence[int]) -> History | None:
    """Read every calibration of these sensors; None where there is none."""
    recorded = read_recorded(sensor_ids)
    return assemble(recorded) if len(recorded) else None


def assemble(recorded: Recorded) -> History:
    """Return the history of some recorded calibrations; four queries about their sensors."""
    heads = recorded.heads
    keys, of = np.unique(recorded.sensor, return_inverse=True)
    sensor, model, family = _register(keys)
    rated = model["rated_load"][family][of]
    points = _points(recorded, rated, model["repeatability_pct"][family][of])
    reference = heads["reference"].astype(np.int64)
    references = read_references(reference)
    extras = {name: sensor[name][of] for name in _TAG[:3]}
    extras["tag_span_load"] *= factors(units.LOAD.values())[sensor["tag_load_unit"]][of]
    machine = heads["machine"].astype(np.float64)
    first = np.concatenate(([0], np.cumsum(points.counts)[:-1])).astype(np.int64)
    return History(
        ids=heads["id"],
        sensor=recorded.sensor,
        model=sensor["model"][of],
        dealer=sensor["dealer"][of],
        moment=heads["moment"],
        day=heads["moment"] / DAY_US,
        date=references.days_of(reference, heads["moment"]),
        season=heads["season"].astype(np.int64),
        starts_segment=heads["starts_segment"],
        superseded=heads["superseded"],
        as_found=heads["as_found"],
        installation=heads["installation"].astype(np.int64),
        reference=reference,
        reference_pct=references.pct_of(reference),
        references=references,
        rated_load=rated,
        lot=sensor["lot"][of],
        extras=extras
        | {
            "machine": np.where(machine >= 0, machine, np.nan),
            "load_factor": heads["load_factor"],
            "reading_factor": heads["reading_factor"],
            "reading_min": model["reading_min"][family][of],
            "reading_max": model["reading_max"][family][of],
            "pressure": heads["pressure"],
            "reading_sd": points.u_reading[first],
        },
        points=points,
    )


_MODELS = Statement(
    lambda _: SensorModel.objects.order_by("pk").values_list(
        "pk", "rated_load", "load_unit", "reading_min", "reading_max", "repeatability_pct"
    )
)


def uuids(ids: NDArray[np.void]) -> list[UUID]:
    """Return the UUIDs of their bytes."""
    return [UUID(bytes=value) for value in ids.tolist()]


_TAG = ("tag_zero_reading", "tag_span_reading", "tag_span_load")


_SENSORS = columns.Reading(
    lambda: Sensor.objects.order_by("pk"),
    "pk",
    {
        "key": ("pk", "key"),
        "model": ("model_id", "key"),
        "dealer": ("dealer_id", "key"),
        **{name: (name, "real") for name in _TAG},
        "tag_load_unit": ("tag_load_unit", _LOADS),
        "lot": ("lot", columns.TEXT),
    },
    closely=True,
)


_MODEL: dict[str, columns.Kind] = {
    "rated_load": "real",
    "load_unit": _LOADS,
    "reading_min": "real",
    "reading_max": "real",
    "repeatability_pct": "real",
}
_WITH_MODELS = columns.Reading(
    lambda: Sensor.objects.order_by("pk"),
    "pk",
    {**_SENSORS.fields, **{name: (f"model__{name}", kind) for name, kind in _MODEL.items()}},
)


def _register(keys: Ints) -> tuple[dict[str, NDArray[Any]], dict[str, NDArray[Any]], Ints]:
    """What is known of these sensors, of models, and which of these each sensor's is.

    Of a few sensors one query reads both; of many, what is said of a model is read once.
    """
    few = len(keys) <= _FEW
    found = (_WITH_MODELS if few else _SENSORS).of(keys)
    at = np.searchsorted(found["key"], keys)
    sensor = {name: values[at] for name, values in found.items()}
    if few:
        model = {name: sensor.pop(name) for name in _MODEL}
        model["rated_load"] = (
            model["rated_load"] * factors(units.LOAD.values())[model["load_unit"]]
        )
        return sensor, model, np.arange(len(keys))
    model = _models()
    return sensor, model, np.searchsorted(model["key"], sensor["model"])


def _models() -> dict[str, NDArray[Any]]:
    rows = _MODELS.all()
    key, load, unit, least, most, repeatability = zip(*rows, strict=True)
    return {
        "key": np.array(key, dtype=np.int64),
        "rated_load": np.array(load) * np.array([units.LOAD[each] for each in unit]),
        "reading_min": np.array(least, dtype=np.float64),  # None becomes NaN
        "reading_max": np.array(most, dtype=np.float64),
        "repeatability_pct": np.array(repeatability, dtype=np.float64),
    }


def _points(recorded: Recorded, rated: Floats, stated_pct: Floats) -> Points:
    """Points in the same order, with the uncertainty that the sensor model states."""
    heads = recorded.heads
    counts = heads["points"].astype(np.int64)
    load = recorded.points[:, 0] * np.repeat(heads["load_factor"], counts)
    reading = recorded.points[:, 1] * np.repeat(heads["reading_factor"], counts)
    starts = np.cumsum(counts) - counts
    # Points that cannot tell how they scatter do not do without a repeatability.
    bare = stated_pct == 0
    if bare.any():
        bare &= (counts == 2) | _on_a_line(load, reading, starts, counts)
    pct = np.where(bare, DEFAULT_REPEATABILITY_PCT, stated_pct)
    u_reading = pct / 100.0 * rated * _steepness(load, reading, starts)
    return Points(load, reading, np.zeros_like(load), np.repeat(u_reading, counts), counts)


def _on_a_line(load: Floats, reading: Floats, starts: Ints, counts: Ints) -> NDArray[np.bool_]:
    """Whether points leave their line by no more than rounding does, (M,)."""
    x, y = (
        values - np.repeat(np.add.reduceat(values, starts) / counts, counts)
        for values in (load, reading)
    )
    xx, xy, yy = (np.add.reduceat(values, starts) for values in (x * x, x * y, y * y))
    return np.asarray(xx * yy - xy * xy <= _ROUNDING * xx * yy)


def _steepness(load: Floats, reading: Floats, starts: Ints) -> Floats:
    """Absolute reading per newton between the extremes: from load's to reading's scatter."""
    span = np.maximum.reduceat(load, starts) - np.minimum.reduceat(load, starts)
    rise = np.maximum.reduceat(reading, starts) - np.minimum.reduceat(reading, starts)
    return np.asarray(rise / span)
