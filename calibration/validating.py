"""The rules that a calibration must meet to be possible at all. Every breach is collected."""

import math
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from functools import cache

from calibration.drafts import CalibrationDraft, PointDraft
from calibration.models import Direction, Reason, Stage
from calibration.requiring import GREATEST_NUMBER, choice, moment, number, text
from calibration.seats import Seats, seated
from fleet import units
from fleet.errors import Invalid, Problem
from fleet.models import Installation, Sensor

MOST_POINTS = 500
# Of the rated load; and of the greatest reading, or of one of its units. What is closer together
# is no calibration but rounding. Common practice, no source.
LEAST_SPAN, NO_RISE = 1e-4, 1e-9
# Taken once: the values of a choice are put together anew each time they are asked for.
_REASONS, _STAGES, _DIRECTIONS = Reason.values, Stage.values, Direction.values


def check_draft(
    draft: CalibrationDraft, *, now: datetime, seats: Seats, repeated: bool = False
) -> None:
    """Raise Invalid with every reason why a calibration cannot be.

    `seats` holds the sensor's installations. One that is `repeated` was possible when it was
    recorded; what the register has learnt since (an installation from a later day on, another
    dealer, another range of the model) does not count against it.
    """
    problems = [
        *choice("reason", draft.reason, _REASONS),
        *choice("stage", draft.stage, _STAGES),
        *choice("load_unit", draft.load_unit, units.LOAD),
        *(() if repeated else _reading_unit(draft)),
        *moment("performed_at", draft.performed_at, now=now),
        *(() if repeated else _installed(draft, seats)),
        *_conditions(draft),
        *text("technician", draft.technician, 80),
        *text("note", draft.note, 2000, lines=True),
        *text("supersede_reason", draft.supersede_reason, 200),
        *(() if repeated else _reference(draft)),
        *_supersedes(draft),
        *_points(draft, repeated=repeated),
    ]
    if problems:
        raise Invalid(*problems)


def installation_at(sensor: Sensor, when: datetime) -> Installation | None:
    """Return where the sensor sat at that moment; on a day of change, where it came to."""
    rows = sensor.installations.select_related("machine").order_by("-installed_on", "-pk")
    return seated(rows, local_day(sensor, when))


def local_day(sensor: Sensor, when: datetime) -> date:
    """Return the day of a moment where the sensor's dealer is."""
    return when.astimezone(sensor.dealer.zone).date()


def _reading_unit(draft: CalibrationDraft) -> Iterator[Problem]:
    own = draft.sensor.model.reading_unit
    fitting = _fitting(own)
    if draft.reading_unit not in fitting:
        yield Problem(
            "reading_unit",
            f"{draft.sensor.model.name} reads in {own}",
            ", ".join(fitting),
            str(draft.reading_unit)[:40],
        )


@cache
def _fitting(own: str) -> tuple[str, ...]:
    return tuple(unit for unit in units.READING if units.reading_factor(unit, own) is not None)


def _installed(draft: CalibrationDraft, seats: Seats) -> Iterator[Problem]:
    since = seats.since(draft.sensor.id)
    if since and local_day(draft.sensor, draft.performed_at) < since:
        yield Problem(
            "performed_at",
            f"Before sensor {draft.sensor.serial} was installed",
            f"on or after {since}",
            draft.performed_at.isoformat(),
        )


def _conditions(draft: CalibrationDraft) -> Iterator[Problem]:
    if draft.temperature_c is not None:
        yield from number("conditions.temperature_c", draft.temperature_c)
        if not list(number("", draft.temperature_c)) and not -60 <= draft.temperature_c <= 80:
            yield Problem(
                "conditions.temperature_c", "Out of reason", "-60 to 80", str(draft.temperature_c)
            )
    if draft.pressure_unit:
        yield from choice("conditions.pressure_unit", draft.pressure_unit, units.PRESSURE)
    if draft.hydraulic_pressure is not None:
        yield from number("conditions.hydraulic_pressure", draft.hydraulic_pressure, least=0.0)
        if not draft.pressure_unit:
            yield Problem(
                "conditions.pressure_unit", "Missing beside a pressure", ", ".join(units.PRESSURE)
            )


def _reference(draft: CalibrationDraft) -> Iterator[Problem]:
    """A reference is the dealer's own; after a resale, a correction keeps what was used then."""
    used = draft.reference
    if used is None or used.dealer_id == draft.sensor.dealer_id:
        return
    if draft.supersedes and draft.supersedes.reference_id == used.pk:
        return
    accepted = "one of the dealer's references, or none"
    if draft.supersedes:
        accepted = "one of the dealer's references, that of the superseded record, or none"
    yield Problem("reference", "Not known at this dealer", accepted, used.name)


def _supersedes(draft: CalibrationDraft) -> Iterator[Problem]:
    if draft.supersedes and draft.supersedes.sensor_id != draft.sensor.id:
        accepted, value = "an id of the same sensor", str(draft.supersedes.pk)
        yield Problem("supersedes", "Not a record of this sensor", accepted, value)
    if draft.supersedes and not draft.supersede_reason.strip():
        yield Problem("supersede_reason", "Missing", "why the earlier record is superseded")
    if draft.supersede_reason and not draft.supersedes:
        yield Problem("supersedes", "Missing beside a reason", "the id of the earlier record")


def _points(draft: CalibrationDraft, *, repeated: bool) -> Iterator[Problem]:
    points = draft.points
    if len(points) > MOST_POINTS:
        yield Problem("points", "Too many", f"at most {MOST_POINTS}", str(len(points)))
        return
    if all(_plain(point) for point in points):
        if not repeated:
            yield from _range(draft)
            yield from _span(draft, points)
        return
    problems = [
        problem
        for i, point in enumerate(points)
        for problem in (
            *number(f"points.{i}.load", point.load),
            *number(f"points.{i}.reading", point.reading),
            *choice(f"points.{i}.direction", point.direction, _DIRECTIONS),
        )
    ]
    yield from problems
    if not problems and not repeated:
        yield from _range(draft)
        yield from _span(draft, points)


def _plain(point: PointDraft) -> bool:
    """Whether a point is as nearly all are; the others are looked at one value at a time."""
    load, reading, way = point
    return (
        type(load) is float
        and type(reading) is float
        and -GREATEST_NUMBER <= load <= GREATEST_NUMBER
        and -GREATEST_NUMBER <= reading <= GREATEST_NUMBER
        and way in _DIRECTIONS
    )


def _range(draft: CalibrationDraft) -> Iterator[Problem]:
    """Readings lie within what the converter can give."""
    model = draft.sensor.model
    if draft.reading_unit not in units.READING:
        return
    factor = units.reading_factor(draft.reading_unit, model.reading_unit)
    if factor is None:
        return
    low = -math.inf if model.reading_min is None else model.reading_min
    high = math.inf if model.reading_max is None else model.reading_max
    for i, point in enumerate(draft.points):
        if not low <= point.reading * factor <= high:
            yield Problem(
                f"points.{i}.reading",
                "Off the converter's range",
                f"{_exactly(low)} to {_exactly(high)} {model.reading_unit}",
                f"{_exactly(point.reading)} {draft.reading_unit}",
            )


def _exactly(value: float) -> str:
    """Return the shortest text that reads back as the same number."""
    return repr(float(value)).removesuffix(".0")


def _span(draft: CalibrationDraft, points: Sequence[PointDraft]) -> Iterator[Problem]:
    """Loads far enough apart; a line through them that rises or falls as the model's do."""
    loads = {float(point.load) for point in points}
    if len(loads) < 2:
        yield Problem(
            "points",
            f"A line needs two distinct loads, {len(loads)} given",
            "a zero and a span at least",
        )
        return
    rated = _rated(draft)
    apart = max(loads) - min(loads)
    if apart < LEAST_SPAN * rated:
        yield Problem(
            "points",
            "The loads lie too close together for a line",
            f"loads {LEAST_SPAN * rated:.6g} {draft.load_unit} apart at least",
            f"{apart:.6g} {draft.load_unit}",
        )
        return
    yield from _slope(draft, points, apart)


def _rated(draft: CalibrationDraft) -> float:
    """The cell's rated load in the unit that was typed; 0 where a unit is not known."""
    model = draft.sensor.model
    if draft.load_unit not in units.LOAD or model.load_unit not in units.LOAD:
        return 0.0
    return float(model.rated_load * units.LOAD[model.load_unit] / units.LOAD[draft.load_unit])


def _slope(
    draft: CalibrationDraft, points: Sequence[PointDraft], apart: float
) -> Iterator[Problem]:
    rise = _rise(points, apart)
    low = min(points, key=lambda point: point.load)
    high = max(points, key=lambda point: point.load)
    nominal = draft.sensor.model.nominal_slope
    shown = f"{low.reading:.9g} at {low.load:.9g}, {high.reading:.9g} at {high.load:.9g}"
    if abs(rise) <= NO_RISE * max(1.0, *(abs(point.reading) for point in points)):
        yield Problem(
            "points",
            "The reading does not change with the load",
            "readings that differ between zero and span, and a line that rises or falls",
            shown,
        )
    elif nominal and (rise > 0) != (nominal > 0):
        way = "rise" if nominal > 0 else "fall"
        yield Problem(
            "points",
            f"Readings of {draft.sensor.model.name} {way} with load, these do not: the points may "
            "be swapped, or the signal wires reversed",
            f"a span reading {'above' if nominal > 0 else 'below'} the zero reading",
            shown,
        )


def _rise(points: Sequence[PointDraft], apart: float) -> float:
    """What the straight line of least squares rises over the span of the loads [reading].

    The readings of a calibration weigh alike, so that the fit has its sign, and is level where
    this is.
    """
    load = math.fsum(point.load for point in points) / len(points)
    reading = math.fsum(point.reading for point in points) / len(points)
    away = [((point.load - load) / apart, point.reading - reading) for point in points]
    return math.fsum(x * y for x, y in away) / math.fsum(x * x for x, _ in away)
