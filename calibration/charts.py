"""Plots as SVG text: numbers in, a string out; no rows, no styles, no script.

Shapes say what colours say (open circle within, triangle watch, filled diamond beyond), so that a
plot reads in black and white, on paper and on a phone. The page colours the classes; without a
page the presentation attributes are enough. Each plot carries a title and a description.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape
from itertools import pairwise

LEFT, RIGHT, TOP, FLOOR = 58.0, 350.0, 22.0, 196.0
LETTER = 6.0  # how wide a letter is, about
FILLED = 'fill="currentColor" fill-opacity=".12" stroke="none"'
DASHED = 'stroke-dasharray="5 3"'
SHAPES = {
    "within": ("m-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z", "none"),
    "watch": ("m0 -5.2l5 8.8h-10z", "none"),
    "beyond": ("m0 -5.5l5.5 5.5l-5.5 5.5l-5.5 -5.5z", "currentColor"),
    "superseded": ("m-4 -4l8 8m0 -8l-8 8", "none"),
}


Pair = tuple[float, float]


@dataclass(frozen=True)
class Dot:
    """One value on a day, with the half width of its uncertainty bar, in the plot's unit.

    `kind` is a key of SHAPES; dots of one `run` are joined by a line.
    """

    day: date
    value: float
    half_width: float = 0.0
    kind: str = "within"
    run: int = 0
    label: str = ""


@dataclass(frozen=True)
class Band:
    """Where values are within tolerance, from a day to a day; or expected, which is outlined."""

    start: date
    end: date
    low: float
    high: float
    expected: bool = False


@dataclass(frozen=True)
class Mark:
    """Something that happened to the sensor: a short word in the plot, a sentence behind it."""

    day: date
    word: str
    label: str


class _Axis:
    """A range of numbers laid over a range of the drawing, with some air around it."""

    def __init__(self, values: Sequence[float], start: float, end: float) -> None:
        if not all(math.isfinite(value) for value in values):
            raise ValueError("a plot takes finite numbers only")
        low, high = min(values), max(values)
        air = max((high - low) * 0.08, abs(high) * 1e-6, 1e-12)
        self.low, self.high, self.start, self.end = low - air, high + air, start, end

    def at(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(self.start + share * (self.end - self.start), 1)

    def ticks(self, wanted: int) -> list[tuple[float, str]]:
        """Return round values (steps of 1, 2 or 5) on the axis, and how they are written."""
        least = (self.high - self.low) / wanted
        power = math.floor(math.log10(least))
        step = next(s for m in (1, 2, 5, 10) if (s := m * 10.0**power) >= least * 0.999)
        first, last = math.ceil(self.low / step), math.floor(self.high / step)
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        return [(n * step, f"{n * step:.{decimals}f}") for n in range(first, last + 1)]


def _text(x: float, y: float, words: str, anchor: str = "middle") -> str:
    return (
        f'<text class="plot-text" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" '
        f'font-size="10.5" fill="currentColor" stroke="none">{escape(words)}</text>'
    )


def _path(name: str, drawing: str, more: str = "") -> str:
    return f'<path class="{name}" d="{drawing}" {more}/>'


def _shape(x: float, y: float, kind: str, label: str) -> str:
    drawing, fill = SHAPES[kind]
    return (
        f'<path class="plot-dot plot-{kind}" d="M{x} {y}{drawing}" fill="{fill}" '
        f'stroke-width="1.6"><title>{escape(label)}</title></path>'
    )


def _framed(parts: Sequence[str], title: str, description: str, height: float) -> str:
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" '
        f'viewBox="0 0 360 {height:g}" font-family="sans-serif" fill="none" '
        f'stroke="currentColor" stroke-width="1"><title>{escape(title)}</title>'
        f"<desc>{escape(description)}</desc>{''.join(parts)}</svg>"
    )


def _levels(y: _Axis, wanted: int) -> list[str]:
    parts = []
    for value, words in y.ticks(wanted):
        parts.append(
            _path("plot-grid", f"M{LEFT} {y.at(value)}H{RIGHT}", 'stroke-dasharray="1 3"')
        )
        parts.append(_text(LEFT - 5, y.at(value) + 3.5, words, "end"))
    return parts


def _calendar(axis: _Axis, days: Sequence[date]) -> list[str]:
    first, last = min(days), max(days)
    years = [date(year, 1, 1) for year in range(first.year + 1, last.year + 1)]
    named = [(axis.at(day.toordinal()), f"{day.year}") for day in years[:: 1 + len(years) // 9]]
    if len(named) < 2:
        named = [(axis.at(day.toordinal()), f"{day:%Y-%m-%d}") for day in {first, last}]
        named = [max(named)] if max(named)[0] - min(named)[0] < 66 else named
    return [_path("plot-axis", f"M{x} {FLOOR}v4") + _text(x, FLOOR + 16, w) for x, w in named]


def history_plot(
    dots: Sequence[Dot], bands: Sequence[Band], marks: Sequence[Mark], *, title: str, unit: str
) -> str:
    """Return the plot of a quantity over the seasons; empty text where there is nothing yet."""
    if not dots:
        return ""
    edges = [dot.value + sign * dot.half_width for dot in dots for sign in (-1, 1)]
    y = _Axis([*edges, *(edge for b in bands for edge in (b.low, b.high))], FLOOR, TOP)
    days = [dot.day for dot in dots] + [mark.day for mark in marks]
    first = min(days).toordinal()
    x = _Axis([first, max(max(days).toordinal(), first + 60)], LEFT, RIGHT)
    parts = [*_levels(y, 4), *_calendar(x, days)]
    for band in bands:
        left, right = x.at(band.start.toordinal()), x.at(band.end.toordinal())
        area = f"M{left} {y.at(band.low)}H{right}V{y.at(band.high)}H{left}z"
        parts.append(
            _path("plot-expected", area, 'stroke-dasharray="2 2"')
            if band.expected
            else _path("plot-band", area, FILLED)
        )
    parts += [_path("plot-axis", f"M{LEFT} {FLOOR}H{RIGHT}"), _text(2, 12, unit, "start")]
    for mark in marks:
        at = x.at(mark.day.toordinal())
        line = _path("plot-mark", f"M{at} {TOP}V{FLOOR}", DASHED)
        said = _beside_unit(at, mark.word, unit)
        parts.append(f"<g><title>{escape(mark.label)}</title>{line}{said}</g>")
    for a, b in pairwise(dot for dot in dots if dot.kind != "superseded"):
        if a.run == b.run:
            (x1, y1), (x2, y2) = ((x.at(d.day.toordinal()), y.at(d.value)) for d in (a, b))
            parts.append(_path("plot-run", f"M{x1} {y1}L{x2} {y2}"))
    for dot in dots:
        at = x.at(dot.day.toordinal())
        low, high = y.at(dot.value - dot.half_width), y.at(dot.value + dot.half_width)
        parts.append(_path("plot-bar", f"M{at - 3} {low}h6m-3 0V{high}m-3 0h6"))
        parts.append(_shape(at, y.at(dot.value), dot.kind, dot.label))
    return _framed(parts, title, "; ".join(dot.label for dot in dots), 220)


def _beside_unit(at: float, word: str, unit: str) -> str:
    """Write a mark's word over its line; beside the unit, where that stands in its place."""
    taken = 2 + LETTER * (len(unit) + 1)
    if at - LETTER * len(word) / 2 < taken:
        return _text(max(at, taken), TOP - 4, word, "start")
    return _text(at, TOP - 4, word)


def points_plot(points: Sequence[Pair], line: Pair, *, title: str, units: tuple[str, str]) -> str:
    """Return the points (load, reading) with their line; below, what the line leaves over.

    `line` is slope and offset, `units` names load and reading; what is left over is in load units.
    """
    slope, offset = line
    if not points or not slope:
        return ""
    loads = [load for load, _ in points]
    least = 1e-9 * max(map(abs, loads))  # less is the rounding of the arithmetic
    over = [(r - offset) / slope - load for load, r in points]
    over = [rest if abs(rest) > least else 0.0 for rest in over]
    x = _Axis(loads, LEFT, RIGHT)
    ends = [offset + slope * edge for edge in (x.low, x.high)]
    upper = _Axis([reading for _, reading in points] + ends, 140.0, TOP)
    most = max(*map(abs, over), (max(loads) - min(loads)) * 1e-3, 1e-9)
    lower = _Axis([-1.2 * most, 1.2 * most], 236.0, 172.0)
    parts = [*_levels(upper, 3), *_levels(lower, 3)]
    run = f"M{LEFT} {upper.at(ends[0])}L{RIGHT} {upper.at(ends[1])}"
    parts += [_path("plot-run", run), _path("plot-axis", f"M{LEFT} {lower.at(0)}H{RIGHT}")]
    said = []
    for (load, reading), rest in zip(points, over, strict=True):
        said.append(f"{rest:+.3g} {units[0]} off the line at {load:g} {units[0]}")
        read = f"{reading:g} {units[1]} at {load:g} {units[0]}"
        parts.append(_shape(x.at(load), upper.at(reading), "within", read))
        parts.append(_path("plot-bar", f"M{x.at(load)} {lower.at(0)}V{lower.at(rest)}"))
        parts.append(_shape(x.at(load), lower.at(rest), "within", said[-1]))
    parts += [_text(x.at(value), 252, words) for value, words in x.ticks(4)]
    parts += [_text(2, 12, units[1], "start"), _text(RIGHT, 266, f"load, {units[0]}", "end")]
    parts.append(_text(2, 162, f"off the line, {units[0]}", "start"))
    return _framed(parts, title, "; ".join(said), 270)


@dataclass(frozen=True)
class Share:
    """A probability so many days after a calibration, with its band."""

    days: float
    probability: float
    low: float
    high: float


def curve_plot(shares: Sequence[Share], *, target: float, day: float, title: str) -> str:
    """Return a probability that falls in steps, its band, and the day on which a target is met.

    Empty text where there is no curve.
    """
    if not shares:
        return ""
    x = _Axis([0.0, max(day, shares[-1].days, 1.0)], LEFT, RIGHT)
    y = _Axis([100.0, 100.0 * min(target, *(s.low for s in shares))], FLOOR, TOP)
    parts = [*_levels(y, 4), _path("plot-axis", f"M{LEFT} {FLOOR}H{RIGHT}")]
    for a, b in pairwise(shares):
        sides = f"M{x.at(a.days)} {y.at(100 * a.low)}H{x.at(b.days)}V{y.at(100 * a.high)}"
        parts.append(_path("plot-band", f"{sides}H{x.at(a.days)}z", FILLED))
    steps = "".join(f"H{x.at(b.days)}V{y.at(100 * b.probability)}" for b in shares[1:])
    first = f"M{x.at(shares[0].days)} {y.at(100 * shares[0].probability)}"
    parts.append(_path("plot-run", first + steps, 'stroke-width="1.8"'))
    parts.append(_path("plot-mark", f"M{LEFT} {y.at(100 * target)}H{x.at(day)}V{FLOOR}", DASHED))
    parts += [_text(x.at(value), FLOOR + 16, words) for value, words in x.ticks(5)]
    parts += [_text(2, 12, "in tolerance, %", "start"), _text(RIGHT, FLOOR + 32, "days", "end")]
    told = f"target {100 * target:g} %, interval {day:.0f} days"
    said = [f"{100 * s.probability:.1f} % after {s.days:.0f} days" for s in shares]
    return _framed(parts, title, "; ".join([told, *said]), 232)
