"""The numbers of one position on a visit sheet: the tag's, last time's, and the expected ones."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from calibration.documents.expected import (
    Line,
    Range,
    Tolerance,
    offset_range,
    reading_range,
    slope_range,
)
from calibration.documents.places import Place
from calibration.documents.wording import quantity
from calibration.policies import Rule
from calibration.readout.phrases import typed
from calibration.rounding import rounded_range
from fleet import seasons, units
from fleet.models import Sensor, SensorModel

MOST_LOADS = 4
BASIS = (
    "the last numbers that are to be believed, give or take the tolerance and twice the "
    "uncertainty of a repeated calibration, added in quadrature; with the same reference"
)


def tag_numbers(place: Place | Sensor, reading_unit: str) -> dict[str, Any] | None:
    """Return the numbers on the tag of a new cell; None where it had none."""
    if place.tag_span_load is None:
        return None
    return {
        "zero_reading": place.tag_zero_reading,
        "span_reading": place.tag_span_reading,
        "span_load": place.tag_span_load,
        "load_unit": place.tag_load_unit,
        "reading_unit": reading_unit,
        "text": (
            f"{typed(place.tag_zero_reading)} at 0, {typed(place.tag_span_reading)} at "
            f"{typed(place.tag_span_load)} {place.tag_load_unit}"
        ),
    }


def last_numbers(
    last: Mapping[str, Any], *, day: str, season_start: str, here: date
) -> dict[str, Any]:
    """Return last time's numbers in the units that were typed."""
    fit = last["fit"]
    slope_unit = f"{last['reading_unit']}/{last['load_unit']}"
    return {
        "calibration": last["calibration"],
        "performed_on": day,
        "season": seasons.season_of(date.fromisoformat(day), season_start),
        "reason": last["reason"],
        "stage": last["stage"],
        "verdict": last["verdict"],
        "load_unit": last["load_unit"],
        "reading_unit": last["reading_unit"],
        "slope": quantity(fit["slope"], fit["u_slope"], slope_unit) if fit else None,
        "offset": quantity(fit["offset"], fit["u_offset"], last["reading_unit"]) if fit else None,
        "points": last["points"],
        "elsewhere": day < here.isoformat(),
        "doubt": last["doubt"],
    }


def expected_numbers(
    last: Mapping[str, Any], tolerance: Tolerance, *, day: str
) -> dict[str, Any] | None:
    """Return where the new slope, offset and readings should lie, at the loads of that day.

    `last` are the newest numbers that are to be believed.
    """
    fit, reading_unit = last["fit"], last["reading_unit"]
    if not fit:
        return None
    line = Line(
        slope=fit["slope"],
        offset=fit["offset"],
        u_slope=fit["u_slope_random"],
        u_offset=fit["u_offset"],
        covariance=fit["covariance"],
    )
    return {
        "calibration": last["calibration"],
        "performed_on": day,
        "slope": _band(slope_range(line, tolerance), f"{reading_unit}/{last['load_unit']}"),
        "offset": _band(offset_range(line, tolerance), reading_unit),
        "readings": [
            {
                "load": load,
                "load_unit": last["load_unit"],
                "text": typed(load),
                **_band(reading_range(line, tolerance, load), reading_unit),
            }
            for load in _loads(last)
        ],
    }


def _loads(last: Mapping[str, Any]) -> list[float]:
    """Return the lowest and the highest loads of last time, at most a handful between them."""
    loads = sorted({point["load"] for point in last["points"]})
    if len(loads) <= MOST_LOADS:
        return loads
    step = (len(loads) - 1) / (MOST_LOADS - 1)
    return [loads[round(number * step)] for number in range(MOST_LOADS)]


def _band(found: Range, unit: str) -> dict[str, Any]:
    low, high = rounded_range(*found)
    return {"from": found.low, "to": found.high, "unit": unit, "low": low, "high": high}


def tolerance_of(model: SensorModel, rule: Rule, load_unit: str) -> Tolerance:
    """Return what a rule tolerates of a sensor of this model, in a load unit."""
    rated = model.rated_load * units.LOAD[model.load_unit] / units.LOAD[load_unit]
    return Tolerance(
        slope=rule.slope_tolerance_pct / 100.0, offset=rule.offset_tolerance_pct / 100.0 * rated
    )
