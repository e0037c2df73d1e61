"""What sound sensors of a model do by themselves: kept in a table, learnt by a full scan."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from calibration import arrays, expecting
from calibration.metrology import fit, pairing
from calibration.metrology.fleetnoise import DEFAULT, METHOD, MOST_SEGMENTS, model_noise
from calibration.metrology.series import Noise
from calibration.models import SensorModelNoise
from calibration.weighing import state_of
from fleet.models import Sensor, SensorModel

COLUMNS = ("walk_slope", "walk_zero", "extra_slope", "extra_zero")
_DEFAULT = tuple(value**2 for value in DEFAULT)


class NoiseBook:
    """The noise of every sensor model; the documented defaults where nothing was learnt."""

    def __init__(self) -> None:
        self._known: Mapping[int, tuple[float, ...]] = {
            row.pk: tuple(getattr(row, name) for name in COLUMNS)
            for row in SensorModelNoise.objects.all()
        }

    def of(self, model: NDArray[np.int64]) -> Noise:
        """Return the noise of segments whose sensors are of these models."""
        keys, where = np.unique(model, return_inverse=True)
        table = np.array(
            [self._known.get(key, _DEFAULT) for key in keys.tolist()], dtype=np.float64
        ).reshape(-1, len(COLUMNS))
        return Noise(*table[where.reshape(-1)].T)


def learn() -> int:
    """Learn the noise of each sensor model from the fleet; return how many rows changed."""
    changed = 0
    for model in SensorModel.objects.order_by("pk"):
        row = _learnt(model)
        stored = SensorModelNoise.objects.filter(pk=model.pk).first()
        names = (*COLUMNS, "steps", "estimated", "method")
        if row and (stored is None or any(getattr(row, n) != getattr(stored, n) for n in names)):
            row.save()
            changed += 1
    return changed


def _learnt(model: SensorModel) -> SensorModelNoise | None:
    sensors = Sensor.objects.filter(model=model, calibrations__isnull=False).order_by("pk")
    ids = list(sensors.distinct().values_list("pk", flat=True)[:MOST_SEGMENTS])
    history = arrays.read_history(ids) if ids else None
    if history is None:
        return None
    lines = fit.fit_lines(history.points, history.reference_pct)
    keep = np.flatnonzero(~history.superseded)
    state, history = state_of(lines, history.reference_pct, keep), history.take(keep)
    pairs = pairing.pair(
        history.sensor, history.season, history.installation, history.starts_segment
    )
    series = expecting.series_of(history, state, pairs, np.ones(len(history), dtype=bool))
    found = model_noise(series, np.zeros(len(series.rated_load), dtype=np.int64), 1)
    learnt = tuple(float(getattr(found, name)[0]) for name in COLUMNS)
    values = learnt if found.estimated[0] else _DEFAULT
    return SensorModelNoise(
        sensor_model=model,
        **dict(zip(COLUMNS, values, strict=True)),
        steps=int(found.steps[0]),
        estimated=bool(found.estimated[0]),
        method=METHOD,
    )
