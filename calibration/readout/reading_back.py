"""From a reading back to the load that makes it, by one calibration, with its uncertainty."""

import math
from typing import Any

import numpy as np

from calibration import arrays
from calibration.metrology import fit, inverse
from calibration.metrology.coverage import LEVEL
from calibration.models import Calibration
from calibration.requiring import number
from calibration.rounding import rounded, with_uncertainty
from fleet import units
from fleet.errors import Invalid, Problem


def load_at(row: Calibration, reading: float) -> dict[str, Any]:
    """Return the load that a single reading means, in the units that were typed.

    The reading scatters as the sensor model's repeatability says, or as much more as the
    calibration's own residuals did; where the model states none, as these do. The factor grows
    with their few degrees of freedom.

    Raises
    ------
    Invalid
        If it is no number that the sensor's converter can show, or the line is level.
    """
    factor = units.reading_factor(row.reading_unit, row.sensor.model.reading_unit) or 1.0
    _check(row, reading, factor)
    found = _read(row, reading * factor)
    unit = units.LOAD[row.load_unit]
    load, u_load, expanded = (
        float(values[0, 0]) / unit for values in (found.load, found.u_load, found.expanded)
    )
    freedom = float(found.degrees_of_freedom[0, 0])
    answer = {
        "reading": reading,
        "reading_unit": row.reading_unit,
        "load": load,
        "u_load": u_load,
        "expanded_u_load": expanded,
        "coverage_factor": float(found.coverage_factor[0, 0]),
        "degrees_of_freedom": freedom if math.isfinite(freedom) else None,
        "load_unit": row.load_unit,
    }
    return answer | {"says": _says(answer, row)}


def _read(row: Calibration, reading: float) -> inverse.LoadReadings:
    """Fit the sensor's calibrations as judging does, and read back on the line of this one."""
    history = arrays.read_history([row.sensor_id])
    assert history is not None  # the calibration itself is in it
    lines = fit.fit_lines(history.points, history.reference_pct)
    whole = inverse.reading_line(lines, history.reference_pct)
    here = np.flatnonzero(history.ids == np.frombuffer(row.pk.bytes, dtype="V16"))
    line = inverse.ReadingLine(**{name: values[here] for name, values in vars(whole).items()})
    if line.slope[0] == 0.0:
        raise Invalid("The line of this calibration is level: no load belongs to a reading")
    stated = history.extras["reading_sd"][here]
    u_reading = stated[:, None] if stated[0] > 0.0 else None
    return inverse.read_loads(
        line, np.array([[reading]]), u_reading=u_reading, alike=u_reading is not None
    )


def _check(row: Calibration, reading: float, factor: float) -> None:
    problems = list(number("reading", reading))
    if problems:
        raise Invalid(*problems)
    model = row.sensor.model
    low = -math.inf if model.reading_min is None else model.reading_min
    high = math.inf if model.reading_max is None else model.reading_max
    if not low <= reading * factor <= high:
        accepted = f"{low:.15g} to {high:.15g} {model.reading_unit}"
        given = f"{reading:.15g} {row.reading_unit}"
        raise Invalid(Problem("reading", "Off the converter's range", accepted, given))


def _says(answer: dict[str, Any], row: Calibration) -> str:
    unit, u = answer["load_unit"], answer["u_load"]
    freedom = answer["degrees_of_freedom"]
    known = "" if freedom is None else f", {freedom:.3g} degrees of freedom"
    said = (
        f"By this calibration a reading of {answer['reading']:.15g} {answer['reading_unit']} "
        f"means {with_uncertainty(answer['load'], u, unit)}. With {LEVEL:.0%} probability the "
        f"true load lies within ± {rounded(answer['expanded_u_load'], u)} {unit} of it "
        f"(k = {answer['coverage_factor']:.2f}{known})."
    )
    loads = [point.load for point in row.points.all()]
    low, high = min(loads), max(loads)
    if not low <= answer["load"] <= high:
        said += (
            f" That is outside the calibrated loads, {low:.15g} to {high:.15g} {unit}: there the "
            "line is drawn further than it was measured."
        )
    if getattr(row, "superseded_by", None):
        said += " A later record replaces this calibration."
    return said
