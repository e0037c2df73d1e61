"""Plots: well-formed, escaped, in place, readable without colours, with words for the blind."""

import re
import xml.etree.ElementTree as ET
from datetime import date
from itertools import pairwise

import pytest

from calibration import charts
from calibration.charts import Band, Dot, Mark, history_plot, points_plot

SVG = "{http://www.w3.org/2000/svg}"
DOTS = [
    Dot(date(2023, 3, 2), 65.2, 0.3, "within", 1, "2023: 65.2"),
    Dot(date(2024, 3, 9), 65.4, 0.3, "watch", 1, "2024: 65.4"),
    Dot(date(2025, 3, 9), 69.0, 0.3, "beyond", 1, "2025: 69.0"),
    Dot(date(2026, 3, 9), 65.0, 0.3, "superseded", 2, "2026: 65.0"),
]
BANDS = [Band(date(2023, 3, 2), date(2024, 3, 9), 63.2, 67.2)]
MARKS = [Mark(date(2025, 11, 1), "new zero", 'repair "<b>" & more')]


def plot(dots=DOTS, bands=BANDS, marks=MARKS) -> str:
    return history_plot(dots, bands, marks, title="Slope <of> S-1", unit="count/daN")


def shapes(svg: str, name: str) -> list[tuple[float, float, str]]:
    """Where each dot stands, and what it says."""
    found = []
    for element in ET.fromstring(svg).iter(f"{SVG}path"):
        if name in element.get("class", "").split():
            x, y = re.match(r"M([\d.]+) ([\d.]+)", element.get("d")).groups()
            title = element.find(f"{SVG}title")
            found.append((float(x), float(y), "" if title is None else title.text))
    return found


def test_a_plot_is_well_formed_and_says_what_it_shows():
    root = ET.fromstring(plot())
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == "Slope <of> S-1"
    assert root.find(f"{SVG}desc").text == "2023: 65.2; 2024: 65.4; 2025: 69.0; 2026: 65.0"
    words = [element.text for element in root.iter() if element.text]
    assert 'repair "<b>" & more' in words
    assert "count/daN" in words


@pytest.mark.parametrize(
    "svg", [plot(), points_plot([(0, 1), (2, 3)], (1, 1), title="t", units=("N", "V"))]
)
def test_a_plot_carries_no_style_script_or_address(svg):
    assert " style=" not in svg
    assert "<script" not in svg
    assert "<style" not in svg
    assert "url(" not in svg
    assert svg.count("http") == 1  # the name of the SVG vocabulary


def test_values_stand_where_they_should():
    dots = [shapes(plot(), f"plot-{kind}")[0] for kind in charts.SHAPES]
    across, up = [dot[0] for dot in dots], [dot[1] for dot in dots]
    assert across == sorted(across)
    values = [dot.value for dot in DOTS]
    # one scale, upwards: equal differences of value are equal distances (to a tenth of a unit)
    scale = (up[0] - up[2]) / (values[2] - values[0])
    assert scale > 0
    for y, value in zip(up, values, strict=True):
        assert y == pytest.approx(up[0] - scale * (value - values[0]), abs=0.15)
    assert all(charts.TOP <= y <= charts.FLOOR for y in up)


def test_states_differ_in_shape_not_only_in_colour():
    drawn = {kind: charts.SHAPES[kind] for kind in charts.SHAPES}
    assert len(set(drawn.values())) == len(drawn)
    assert charts.SHAPES["beyond"][1] != charts.SHAPES["within"][1]


def test_runs_are_not_joined_across_a_new_segment():
    joined = [Dot(date(2020 + i, 3, 1), 1.0 + i, run=1) for i in range(4)]
    assert len(shapes(plot(joined, (), ()), "plot-run")) == 3
    parted = [Dot(date(2020 + i, 3, 1), 1.0 + i, run=i // 2) for i in range(4)]
    assert len(shapes(plot(parted, (), ()), "plot-run")) == 2
    assert len(shapes(plot(), "plot-run")) == 2  # the superseded one takes no part


@pytest.mark.parametrize(
    "dots",
    [
        DOTS[:1],
        [Dot(date(2024, 3, 1), 0.0)],
        [Dot(date(2024, 3, 1), 8e6, 0.0), Dot(date(2024, 3, 1), 8e6, 0.0)],
        [Dot(date(2024, 3, 1), -1e-9, 1e-12), Dot(date(2024, 9, 1), 1e-9, 1e-12)],
        [Dot(date(1990 + i, 3, 1), 1e12 * i) for i in range(30)],
    ],
)
def test_odd_histories_still_make_a_plot(dots):
    root = ET.fromstring(plot(dots, (), ()))
    for element in root.iter(f"{SVG}text"):
        assert -5 <= float(element.get("x")) <= 365
        assert "nan" not in element.text
    labels = [e.text for e in root.iter(f"{SVG}text") if e.get("text-anchor") == "end"]
    assert len(labels) == len(set(labels)), "tick labels that differ are written differently"


def test_nothing_is_no_plot_and_a_number_that_is_none_is_an_error():
    assert plot([], (), ()) == ""
    assert points_plot([], (1, 0), title="t", units=("N", "count")) == ""
    assert points_plot([(0, 1)], (0, 1), title="t", units=("N", "count")) == ""
    with pytest.raises(ValueError, match="finite"):
        plot([Dot(date(2024, 1, 1), float("nan"))], (), ())


def test_residuals_are_loads_off_the_line():
    # y = 20 + 10 x; the middle point reads 5 too much: 0.5 load units.
    svg = points_plot([(0, 20), (1, 35), (2, 40)], (10, 20), title="t", units=("daN", "count"))
    said = [title for _, _, title in shapes(svg, "plot-within")]
    assert "+0.5 daN off the line at 1 daN" in said
    assert "+0 daN off the line at 0 daN" in said
    assert "35 count at 1 daN" in said


def test_two_points_lie_on_their_line_whatever_the_arithmetic_leaves():
    slope = (8000500.3 - 8000000.1) / 110.7
    svg = points_plot(
        [(0, 8000000.1), (110.7, 8000500.3)], (slope, 8000000.1), title="t", units=("N", "count")
    )
    assert "+0 N off the line at 110.7 N" in svg


def test_ticks_are_round_and_lie_inside():
    for low, high in ((0, 1), (3.1, 97.2), (-5, 5), (1e-7, 3e-7), (8e6, 8e6 + 500)):
        axis = charts._Axis([low, high], 0, 100)
        ticks = axis.ticks(4)
        assert 2 <= len(ticks) <= 6
        steps = {round((b - a) / (high - low), 6) for (a, _), (b, _) in pairwise(ticks)}
        assert len(steps) == 1
        assert all(axis.low <= value <= axis.high for value, _ in ticks)
        for value, words in ticks:
            assert float(words) == pytest.approx(value, abs=abs(high - low) * 1e-6)
