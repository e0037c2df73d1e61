"""The program's plots, made from answers and dressed for paper: our font, ink on white."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from typing import Any

from calibration.charts import SHAPES, Band, Dot, Mark, history_plot, points_plot
from calibration.models import STARTS_SEGMENT
from calibration.rounding import with_uncertainty
from fleet import units

Answer = Mapping[str, Any]
COVERAGE = 2.0  # bars show twice the standard uncertainty
INK = "#16211f"
PAPER = (
    "<style>text{font-family:Inter}.plot-grid{stroke:#a9b3b0}.plot-mark{stroke:#5a6663}</style>"
)


@dataclass(frozen=True)
class _Value:
    """One quantity of one calibration, in the plot's units."""

    day: date
    value: float
    u: float
    room: float
    answer: Answer


def dressed(svg: str) -> str:
    """Return a plot with the sheet's ink and font inside; empty where there is no plot."""
    if not svg:
        return ""
    head, rest = svg.split(">", 1)
    return f'{head} color="{INK}">{PAPER}{rest}'


def points(answer: Answer) -> str:
    """Return the plot of a calibration's points and what its line leaves over."""
    fit = answer["fit"]
    if not fit:
        return ""
    return dressed(
        points_plot(
            [(point["load"], point["reading"]) for point in answer["points"]],
            (fit["slope"], fit["offset"]),
            title="Points and their line",
            units=(answer["load_unit"], answer["reading_unit"]),
        )
    )


def histories(life: Mapping[str, Any], zone: tzinfo) -> dict[str, str]:
    """Return the plots of slope and offset over a sensor's life, in its newest units."""
    fitted = [answer for answer in life["calibrations"] if answer["fit"]]
    if not fitted:
        return {"slope": "", "offset": ""}
    load, reading = fitted[-1]["load_unit"], fitted[-1]["reading_unit"]
    marks = _marks(life, zone)
    drawn = {}
    for what, unit in (("slope", f"{reading}/{load}"), ("offset", reading)):
        values = [_value(answer, what, load, reading, zone) for answer in fitted]
        svg = history_plot(
            [_dot(value, unit) for value in values],
            _bands(values),
            marks,
            title=f"{what.capitalize()} over the seasons",
            unit=unit,
        )
        drawn[what] = dressed(svg)
    return drawn


def _value(answer: Answer, what: str, load: str, reading: str, zone: tzinfo) -> _Value:
    """Bring slope or offset and the room that the tolerance gives it to the plot's units."""
    fit, tolerance = answer["fit"], answer["tolerance"]
    per_reading = units.reading_factor(answer["reading_unit"], reading) or 1.0
    per_load = units.LOAD[answer["load_unit"]] / units.LOAD[load]
    factor = per_reading / per_load if what == "slope" else per_reading
    slope = abs(fit["slope"])
    room = 0.0
    if tolerance:
        room = slope * (tolerance["slope_pct"] / 100.0 if what == "slope" else tolerance["offset"])
    return _Value(
        day=datetime.fromisoformat(answer["performed_at"]).astimezone(zone).date(),
        value=fit[what] * factor,
        u=fit[f"u_{what}"] * abs(factor),
        room=room * abs(factor),
        answer=answer,
    )


def _dot(value: _Value, unit: str) -> Dot:
    answer = value.answer
    kind = "superseded" if answer["superseded_by"] else answer["verdict"] or "within"
    said = f"{value.day}: {with_uncertainty(value.value, value.u, unit)}, {kind}"
    run = answer["segment"] or 0
    return Dot(value.day, value.value, COVERAGE * value.u, kind if kind in SHAPES else "within",
               run, said)  # fmt: skip


def _bands(values: Sequence[_Value]) -> list[Band]:
    """Where each should have come to lie, from the one that it is compared with."""
    by_id = {value.answer["id"]: value for value in values}
    bands = []
    for value in values:
        before = by_id.get(value.answer["against_previous"].get("calibration", ""))
        if before is None or value.answer["superseded_by"] or before.day >= value.day:
            continue
        low, high = before.value - value.room, before.value + value.room
        bands.append(Band(before.day, value.day, low, high))
    return bands


def _marks(life: Mapping[str, Any], zone: tzinfo) -> list[Mark]:
    marks = list(_moves(life["installations"]))
    for answer in life["calibrations"]:
        day = datetime.fromisoformat(answer["performed_at"]).astimezone(zone).date()
        if answer["reason"] in STARTS_SEGMENT:
            marks.append(Mark(day, answer["reason"], f"{answer['reason']} on {day}"))
    return marks


def _moves(installations: Iterable[Mapping[str, Any]]) -> Iterable[Mark]:
    """Say when it came to another machine; the first day of its life is the plot's edge anyway."""
    for place in list(installations)[1:]:
        day = date.fromisoformat(place["installed_on"])
        yield Mark(day, "moved", f"to {place['machine_serial']}, {place['position']}, on {day}")
