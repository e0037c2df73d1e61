"""How numbers are said in a sentence: chances, days, signs, points as typed."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, tzinfo
from typing import Any

from calibration.rounding import with_uncertainty

MOST_POINTS = 6  # more than this are counted, not listed
TO_THE_DAY = 2  # years ahead; what is further off is said by its year
OUT_OF_SIGHT = 10  # years ahead; further than this no trend of a few seasons can tell


def chance(share: float | None) -> str:
    """Return a probability in percent; the ends are never claimed as certain."""
    if share is None:
        return "unknown"
    if share > 0.995:
        return "over 99 %"
    return "under 1 %" if share < 0.005 else f"{100.0 * share:.0f} %"


def beside_limit(share: float, limit: float) -> str:
    """Return a probability so that it never reads like a limit on whose other side it lies."""
    said = chance(share)
    if said != chance(limit) or share == limit:
        return said
    return f"{said} (a little {'above' if share > limit else 'below'})"


def day(zone: tzinfo, moment: str) -> str:
    """Return the day of a moment in a zone, ISO 8601, as the desk and the sheets write it."""
    return datetime.fromisoformat(moment).astimezone(zone).date().isoformat()


def leaving(trend: Mapping[str, Any], measured_at: str) -> str:
    """Return when a sensor is expected to leave its tolerance, no finer than that can be told.

    Empty where the trend has no such day: it stays, or has too few seasons. The tolerance is
    counted from the numbers of the calibration in question, made at `measured_at`.
    """
    expected, earliest = trend["expected_crossing"], trend["earliest_crossing"]
    if not expected:
        return ""
    start = date.fromisoformat(measured_at[:10])
    said = "With these numbers in the cab it is"
    when, soonest = (_ahead(day, start) if day else "" for day in (expected, earliest))
    if not when:
        said += f" not expected to leave its tolerance within {OUT_OF_SIGHT} years"
    else:
        said += f" expected to leave its tolerance {when}"
    return f"{said}, at the earliest {soonest}." if soonest not in ("", when) else f"{said}."


def _ahead(day: str, start: date) -> str:
    """A day ahead: itself where it is near, else its year; empty where it is out of sight."""
    found = date.fromisoformat(day)
    years = (found - start).days / 365.25
    if years > OUT_OF_SIGHT:
        return ""
    return f"on {day}" if years <= TO_THE_DAY else f"in {found.year}"


def minute(moment: datetime, zone: tzinfo) -> str:
    """Return day and minute in a zone with the offset from UTC, as the desk writes any moment."""
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M %z}"


def signed(value: float, uncertainty: float | None, unit: str) -> str:
    """Return a change with its sign and standard uncertainty."""
    return f"{'+' if value > 0 else ''}{with_uncertainty(value, uncertainty, unit)}"


def brief(value: float, digits: int = 2) -> str:
    """Return a share in % with its sign, to a few digits and without an exponent."""
    shown = float(f"{value:.{digits}g}") if abs(value) >= 1e-4 else 0.0
    return f"{shown:+.0f}" if abs(shown) >= 10 else f"{shown:+.{digits}g}"


def sized(value: float) -> str:
    """Return a change with its sign, to hundredths; a great one to tenths."""
    return f"{value:+.2f}" if abs(value) < 100 else f"{value:+.1f}"


def en(value: float) -> str:
    """Return an E_n number; a huge one says no more than that it is."""
    return f"{value:.2f}" if abs(value) < 100 else "over 100 in size"


def digits(value: float, count: int = 3) -> str:
    """Return a size to so many significant digits, without an exponent where it is large."""
    return f"{float(f'{value:.{count}g}'):.15g}"


def setpoint(value: float) -> str:
    """Return a setpoint, which a policy may state in another unit, to four significant digits."""
    return digits(value, 4)


def typed(value: float | None) -> str:
    """Return a number as a person typed it; nothing for none."""
    return "" if value is None else f"{value:.15g}"


def number_of(count: int, noun: str) -> str:
    """Return a count with its noun."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def points_said(points: Sequence[Mapping[str, Any]], load_unit: str, reading_unit: str) -> str:
    """Return what was measured: each point, or where there are many, their range."""
    if len(points) <= MOST_POINTS:
        each = [
            f"{typed(point['reading'])} {reading_unit} at {typed(point['load'])} {load_unit}"
            for point in points
        ]
        return f"{number_of(len(points), 'point')}: {', '.join(each)}"
    loads = [float(point["load"]) for point in points]
    ways = {point["direction"] for point in points}
    both = "going up and down" if len(ways) > 1 else f"going {ways.pop()}"
    return (
        f"{len(points)} points at {number_of(len(set(loads)), 'load')} from {typed(min(loads))} "
        f"to {typed(max(loads))} {load_unit}, {both}"
    )
