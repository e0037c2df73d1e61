"""From a sensor's answers to the numbers of its plots, in the dealer's load unit."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Any

from calibration import charts
from calibration.admin import wording
from calibration.models import STARTS_SEGMENT, Reason
from calibration.readout import with_uncertainty
from fleet import units
from fleet.models import Installation

_EXPECTED_SLOPE = ("expected_slope", "u_expected_slope")
_EXPECTED_OFFSET = ("expected_offset", "u_expected_offset")
COVERAGE = 2.0  # bars show twice the standard uncertainty


@dataclass(frozen=True)
class Life:
    """What the plots of one sensor need."""

    answers: Sequence[wording.Answer]
    installations: Sequence[Installation]
    load_unit: str
    reading_unit: str
    zone: tzinfo


def _day(answer: wording.Answer, zone: tzinfo) -> date:
    return datetime.fromisoformat(answer["performed_at"]).astimezone(zone).date()


def _factors(answer: wording.Answer, life: Life) -> tuple[float, float]:
    """Return what one typed load unit and one typed reading unit are in the plot's units."""
    load = units.LOAD[answer["load_unit"]] / units.LOAD[life.load_unit]
    reading = units.reading_factor(answer["reading_unit"], life.reading_unit) or 1.0
    return load, reading


def _numbers(answer: wording.Answer, life: Life) -> dict[str, Any]:
    """Return slope, offset and tolerances of a calibration in the plot's units."""
    load, reading = _factors(answer, life)
    fit, tolerance = answer["fit"], answer["tolerance"] or {"slope_pct": 0.0, "offset": 0.0}
    slope = fit["slope"] * reading / load
    return {
        "day": _day(answer, life.zone),
        "slope": (slope, fit["u_slope"] * reading / load),
        "offset": (fit["offset"] * reading, fit["u_offset"] * reading),
        "slope_room": abs(slope) * tolerance["slope_pct"] / 100.0,
        "offset_room": abs(tolerance["offset"] * load * slope),
        "kind": "superseded" if answer["superseded_by"] else answer["verdict"] or "within",
        "run": answer["segment"] or 0,
        "previous": answer["against_previous"].get("calibration"),
        "expected": _expected(answer, load, reading),
    }


def _expected(
    answer: wording.Answer, load: float, reading: float
) -> dict[str, tuple[float, float]] | None:
    """Return slope and offset as the history led one to expect them, with their uncertainties."""
    against = answer["against_expected"]
    if against.get("expected_slope") is None:
        return None
    return {
        "slope": tuple(against[name] * reading / load for name in _EXPECTED_SLOPE),
        "offset": tuple(against[name] * reading for name in _EXPECTED_OFFSET),
    }


def history(life: Life) -> list[dict[str, str]]:
    """Return the plots of slope and of offset over the seasons; none where there is no fit."""
    rows = {answer["id"]: _numbers(answer, life) for answer in life.answers if answer["fit"]}
    wanted = (
        ("slope", "Slope over the seasons", f"{life.reading_unit}/{life.load_unit}"),
        ("offset", "Offset over the seasons", life.reading_unit),
    )
    plots = []
    for what, title, unit in wanted:
        svg = charts.history_plot(
            [_dot(row, what, unit) for row in rows.values()],
            _bands(rows, what),
            _marks(life),
            title=title,
            unit=unit,
        )
        if svg:
            plots.append({"title": title, "svg": svg})
    return plots


def _dot(row: dict[str, Any], what: str, unit: str) -> charts.Dot:
    value, u = row[what]
    said = f"{row['day']}: {with_uncertainty(value, u, unit)}, {row['kind']}"
    return charts.Dot(row["day"], value, COVERAGE * u, row["kind"], row["run"], said)


def _bands(rows: dict[str, dict[str, Any]], what: str) -> list[charts.Band]:
    """Where each calibration should have come to lie, from the one that it is compared with."""
    bands = []
    for row in rows.values():
        before = rows.get(row["previous"] or "")
        if before is None or row["kind"] == "superseded" or before["day"] >= row["day"]:
            continue
        middle, room = before[what][0], row[f"{what}_room"]
        bands.append(charts.Band(before["day"], row["day"], middle - room, middle + room))
        if row["expected"]:
            value, u = row["expected"][what]
            around = max((row["day"] - before["day"]) / 8, timedelta(days=1))
            edges = (value - COVERAGE * u, value + COVERAGE * u)
            start, end = row["day"] - around, row["day"] + around
            bands.append(charts.Band(start, end, *edges, expected=True))
    return bands


def _marks(life: Life) -> list[charts.Mark]:
    """What happened to the sensor: set in, taken out, repaired; within the plotted time."""
    days = [_day(answer, life.zone) for answer in life.answers]
    marks = []
    for place in life.installations:
        where = f"{place.machine.serial}, {place.position}"
        marks.append(charts.Mark(place.installed_on, "in", f"installed on {where}"))
        if place.removed_on:
            marks.append(charts.Mark(place.removed_on, "out", f"removed from {where}"))
    marks += [
        charts.Mark(day, "new zero", f"{Reason(answer['reason']).label} on {day}")
        for answer, day in zip(life.answers, days, strict=True)
        if answer["reason"] in STARTS_SEGMENT and answer["reason"] != Reason.COMMISSIONING
    ]
    return marks


def points(answer: wording.Answer) -> str:
    """Return the plot of a calibration's points and what the line leaves over."""
    fit = answer["fit"]
    if not fit:
        return ""
    return charts.points_plot(
        [(point["load"], point["reading"]) for point in answer["points"]],
        (fit["slope"], fit["offset"]),
        title=f"Points of {answer['sensor_serial']}",
        units=(answer["load_unit"], answer["reading_unit"]),
    )
