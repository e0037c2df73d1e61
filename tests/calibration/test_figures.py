"""Figures of a calibration with many loads: published runs, and what a run cannot give."""

import csv

import numpy as np
import pytest

from calibration import readout
from calibration.readout.figures import figures
from calibration.records import PointDraft
from tests.metrology.published import GOLDEN, agrees, column, expected

FIGURES = {
    "terminal_nonlinearity_pct", "best_fit_nonlinearity_pct", "hysteresis_pct",
    "repeatability_pct", "repeatability_sd_pct", "zero_return_pct", "curve_order", "p_quadratic",
    "bend_pct", "lack_of_fit_f", "p_lack_of_fit",
}  # fmt: skip


def run(loads, readings, directions=None):
    ways = directions or ["up"] * len(loads)
    return [
        {"load": float(load), "reading": float(reading), "direction": way}
        for load, reading, way in zip(loads, readings, ways, strict=True)
    ]


def none_of(found):
    return {name for name in FIGURES if found[name] is None}


@pytest.mark.golden
def test_doebelins_gauge():
    # static calibration of a pressure gauge, 0 to 10 kPa: at 6 kPa it fell 5.87 - 5.26 kPa
    # above where it rose, at zero 1.12 - 0.69 kPa; one run, so nothing repeats
    x, up, down = column(
        "doebelin", "pressure_gauge.csv", "true_kPa", "indicated_increasing_kPa",
        "indicated_decreasing_kPa",
    )  # fmt: skip
    ways = ["up"] * len(x) + ["down"] * len(x)
    both = run([*x, *x[::-1]], [*up, *down[::-1]], ways)
    found = figures(both, rated_load=10.0)
    span = np.polyfit(x, up, 1)[0] * 10.0
    assert found["hysteresis_pct"] / 100 * span == pytest.approx(5.87 - 5.26, abs=1e-12)
    assert found["zero_return_pct"] / 100 * span == pytest.approx(1.12 - 0.69, abs=1e-12)
    assert none_of(found) == {"repeatability_pct", "repeatability_sd_pct"}


@pytest.mark.golden
def test_wheeler_and_ganjis_scale():
    # example 2.3: repeatability 0.17 lb of five cycles of a scale of 0 to 5 lb
    w, r = column("wheeler_ganji", "scale_cycles.csv", "true_lb", "reading_lb")
    text = (GOLDEN / "wheeler_ganji" / "scale_cycles.csv").read_text(encoding="utf-8")
    ways = [row["direction"] for row in csv.DictReader(text.splitlines())]
    ways = ["up" if way == "top" else way for way in ways]  # the top of a cycle was risen to
    found = figures(run(w, r, ways), rated_load=5.0)
    line = np.polyfit(w[np.array(ways) == "up"], r[np.array(ways) == "up"], 1)
    in_lb = found["repeatability_pct"] / 100 * line[0] * 5.0
    assert in_lb == pytest.approx(expected("wheeler_ganji")["max_repeatability_lb"], abs=0.005)
    assert found["hysteresis_pct"] > 0
    assert none_of(found) == {"zero_return_pct"}  # the table tells zero once a cycle


@pytest.mark.golden
def test_the_handbooks_load_cell_is_bent():
    # NIST/SEMATECH e-Handbook 4.6.1: F of lack of fit 214.7464 (the handbook's own program in
    # single precision, so five digits), and a quadratic is chosen
    load, deflection = column("hb_4_6_1", "load_cell.csv", "x", "y")
    found = figures(run(load, deflection), rated_load=3_000_000.0)
    assert agrees(found["lack_of_fit_f"], "214.75")
    assert found["p_lack_of_fit"] < 1e-9
    assert found["curve_order"] == 2
    line, curve = np.polyfit(load, deflection, 1), np.polyfit(load, deflection, 2)
    apart = np.abs(np.polyval(curve, load) - np.polyval(line, load)).max()
    assert found["bend_pct"] == pytest.approx(apart / line[0] / 30_000, rel=1e-6)


def test_two_loads_have_no_figures():
    assert figures(run([0, 100], [5, 1005]), rated_load=200.0) is None
    assert figures(run([0, 100, 100, 0], [5, 1005, 1006, 4]), rated_load=200.0) is None
    # 0.5 % of rated load apart is the same load: the weights differ a little, no more
    assert figures(run([0, 100, 100.9], [5, 1005, 1014]), rated_load=200.0) is None
    assert figures([], rated_load=200.0) is None


def test_readings_that_do_not_change_have_none():
    assert figures(run([0, 50, 100], [7, 7, 7]), rated_load=200.0) is None


def test_a_run_gives_what_it_can():
    rising = figures(run([0, 50, 100], [0, 501, 1000]), rated_load=100.0)
    # three points, one parameter more than a line: nothing is left to test a quadratic by
    assert none_of(rising) == FIGURES - {"terminal_nonlinearity_pct", "best_fit_nonlinearity_pct"}
    assert rising["terminal_nonlinearity_pct"] == pytest.approx(0.1, rel=1e-9)
    assert rising["repeatability_degrees_of_freedom"] == 0
    repeated = figures(run([0, 50, 100, 50], [0, 501, 1000, 503]), rated_load=100.0)
    assert repeated["repeatability_pct"] == pytest.approx(0.2, rel=1e-9)
    assert repeated["repeatability_sd_pct"] == pytest.approx(0.2 / np.sqrt(2), rel=1e-9)
    assert repeated["hysteresis_pct"] is None
    off_zero = run([20, 60, 100, 60, 20], [20, 60, 100, 61, 22], ["up"] * 3 + ["down"] * 2)
    found = figures(off_zero, rated_load=100.0)
    assert found["zero_return_pct"] is None
    assert found["hysteresis_pct"] == pytest.approx(1.0, rel=1e-9)


def test_neither_unit_matters():
    loads, readings = [0, 50, 100, 50, 0], [0, 501, 1000, 505, 2]
    ways = ["up"] * 3 + ["down"] * 2
    plain = figures(run(loads, readings, ways), rated_load=100.0)
    scaled = figures(
        run([load * 9.80665 for load in loads], [1e4 + r / 7 for r in readings], ways),
        rated_load=980.665,
    )
    assert plain.keys() == scaled.keys()
    for name, value in plain.items():
        if isinstance(value, float):
            assert scaled[name] == pytest.approx(value, rel=1e-6, abs=1e-9), name
        else:
            assert scaled[name] == value


def test_a_stored_calibration_uses_its_models_rated_load_in_its_own_unit(world):
    # rated 200 daN = 2 kN; typed in kN
    points = tuple(
        PointDraft(load, reading, way)
        for load, reading, way in (
            (0, 20000, "up"), (0.5, 25000, "up"), (1, 30000, "up"), (0.5, 25200, "down"),
            (0, 20100, "down"),
        )
    )  # fmt: skip
    stored = world.season("A1", 2026, load_unit="kN", points=points).calibration
    found = readout.figures_of(stored)
    assert found["hysteresis_pct"] == pytest.approx(100 * 200 / 20000, rel=1e-9)
    assert found["zero_return_pct"] == pytest.approx(100 * 100 / 20000, rel=1e-9)
    assert readout.figures_of(world.season("A1b", 2026).calibration) is None
