"""Figures of up and down runs: a published scale, a constructed cell, and properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.metrology.fit import Points
from calibration.metrology.multipoint import run_figures
from calibration.metrology.nonlinearity import diagnose_nonlinearity, lack_of_fit
from calibration.metrology.polynomial import fit_curves
from tests.metrology.published import GOLDEN, agrees, column, expected, points

RATED = np.array([1000.0])


def directions(source, name):
    text = (GOLDEN / source / name).read_text(encoding="utf-8").split()[1:]
    return np.array([row.split(",")[1] == "down" for row in text])


def test_wheeler_and_ganjis_scale():
    # Example 2.3: repeatability 0.17 lb, 2.6 % of the 6.45 lb output span of the drawn line
    printed = expected("wheeler_ganji")
    w, r = column("wheeler_ganji", "scale_cycles.csv", "true_lb", "reading_lb")
    found = run_figures(
        points(w, r), directions("wheeler_ganji", "scale_cycles.csv"), np.array([5.0])
    )
    in_lb = found.repeatability_pct[0] / 100 * found.slope[0] * 5.0
    assert in_lb == pytest.approx(printed["max_repeatability_lb"], abs=0.005)
    share = in_lb / printed["output_span_lb"] * 100
    assert agrees(share, printed["repeatability_percent_span"].split()[0])
    # every cycle falls above the reading it had when it rose
    assert found.has_hysteresis[0]
    assert found.hysteresis_pct[0] > 0
    deviation = r - (1.290 * w - 0.374)
    assert deviation.max() == pytest.approx(printed["accuracy_limits_lb"][0], abs=0.005)
    assert deviation.min() == pytest.approx(printed["accuracy_limits_lb"][1], abs=0.005)


def test_doebelins_gauge_up_and_down():
    # single run, so hysteresis is the plain difference: 5.87 - 5.26 at 6 kPa; zero 0.43
    x, up, down = column(
        "doebelin",
        "pressure_gauge.csv",
        "true_kPa",
        "indicated_increasing_kPa",
        "indicated_decreasing_kPa",
    )
    run = points(np.concatenate([x, x[::-1]]), np.concatenate([up, down[::-1]]))
    falling = np.repeat([False, True], len(x))
    found = run_figures(run, falling, np.array([10.0]))
    span = found.slope[0] * 10.0
    assert found.hysteresis_pct[0] / 100 * span == pytest.approx(5.87 - 5.26, abs=1e-12)
    assert found.zero_return_pct[0] / 100 * span == pytest.approx(-0.69 + 1.12, abs=1e-12)
    assert not found.has_repeatability[0]
    slope = np.polyfit(x, up, 1)
    assert found.slope[0] == pytest.approx(slope[0], rel=1e-12)
    off = up - np.polyval(slope, x)
    assert abs(found.best_fit_pct[0]) / 100 * span == pytest.approx(np.abs(off).max(), rel=1e-9)
    chord = up - (up[0] + (up[-1] - up[0]) * x / 10.0)
    assert abs(found.terminal_pct[0]) / 100 * span == pytest.approx(np.abs(chord).max(), rel=1e-9)


def cell(bend=0.0, hysteresis=0.0, zero=0.0, noise=0.0, runs=3, level=8e6, seed=0):
    """A cell of 2 counts/N over 1000 N with known faults in % of rated load, up and down."""
    rng = np.random.default_rng(seed)
    up = np.arange(0.0, 1001.0, 250.0)
    down = up[-2::-1]
    load = np.tile(np.concatenate([up, down]), runs)
    falling = np.tile(np.repeat([False, True], [5, 4]), runs)
    z = load / 1000.0
    pct = 4 * bend * z * (1 - z) + falling * (4 * hysteresis * z * (1 - z))
    pct = pct + zero * (falling & (load == 0)) + rng.normal(0, noise, len(load)) * (noise > 0)
    return points(load, level + 2 * load + pct / 100 * 2000), falling


def test_a_constructed_cell_gives_back_its_faults():
    run, falling = cell(bend=0.8, hysteresis=0.3, zero=0.1)
    found = run_figures(run, falling, RATED)
    assert found.terminal_pct[0] == pytest.approx(0.8, rel=1e-3)
    # 0, .6, .8, .6, 0 % about their mean: as much is left at the ends as in the middle
    assert abs(found.best_fit_pct[0]) == pytest.approx(0.4, rel=1e-6)
    assert found.hysteresis_pct[0] == pytest.approx(0.3, rel=1e-2)
    assert found.zero_return_pct[0] == pytest.approx(0.1, rel=1e-2)
    assert found.repeatability_pct[0] == pytest.approx(0.0, abs=1e-6)
    assert found.repeatability_dof[0] == 18
    bent = diagnose_nonlinearity(run, RATED)
    assert bent.order[0] == 2


def test_repeatability_sd_is_unbiased():
    seen = []
    for seed in range(200):
        run, falling = cell(noise=0.15, seed=seed, runs=4)
        seen.append(run_figures(run, falling, RATED).repeatability_sd_pct[0] ** 2)
    assert np.mean(seen) == pytest.approx(0.15**2, rel=0.03)


def test_a_straight_cell_is_called_bent_as_rarely_as_said():
    calls = []
    for seed in range(1000):
        run, _ = cell(noise=0.15, seed=seed)
        calls.append(diagnose_nonlinearity(run, RATED).order[0] > 1)
    # quadratic and cubic at 1 % each, the cubic tested beside: 2 %
    assert np.mean(calls) == pytest.approx(0.02, abs=0.01)


def test_two_points_show_none_of_it():
    found = run_figures(points([0, 1000], [5, 2005]), np.zeros(2, bool), RATED)
    assert not found.has_nonlinearity[0]
    assert not found.has_hysteresis[0]
    assert not found.has_repeatability[0]
    assert not found.has_zero_return[0]
    bent = diagnose_nonlinearity(points([0, 1000], [5, 2005]), RATED)
    assert bent.order[0] == 1
    assert bent.p_quadratic[0] == bent.lack_of_fit_p[0] == 1.0
    assert bent.bend_pct[0] == 0.0


def test_three_points_on_a_perfect_line_bend_nothing():
    found = run_figures(points([0, 500, 1000], [5, 1005, 2005]), np.zeros(3, bool), RATED)
    assert found.has_nonlinearity[0]
    assert found.best_fit_pct[0] == pytest.approx(0.0, abs=1e-9)
    five = points(np.arange(0, 1001.0, 250), 5 + 2 * np.arange(0, 1001.0, 250))
    assert diagnose_nonlinearity(five, RATED).order[0] == 1


def test_only_falling_points_still_give_a_line():
    found = run_figures(points([1000, 500, 0], [2005, 1010, 5]), np.ones(3, bool), RATED)
    assert found.slope[0] == pytest.approx(2.0, rel=1e-12)
    assert found.best_fit_pct[0] != 0.0


def test_a_span_that_does_not_begin_at_zero_has_no_zero_return():
    run = points([300, 600, 1000, 600, 300], [600, 1200, 2000, 1204, 606])
    found = run_figures(run, np.array([0, 0, 0, 1, 1], bool), RATED)
    assert not found.has_zero_return[0]
    assert found.zero_return_pct[0] == 0.0
    assert found.has_hysteresis[0]


def test_many_sensors_in_one_call_give_the_bits_of_each_alone():
    runs = [cell(bend=b, noise=0.2, runs=r, seed=r) for b, r in ((0, 1), (0.5, 2), (1.0, 5))]
    whole = Points(
        *(
            np.concatenate([getattr(p, name) for p, _ in runs])
            for name in ("load", "reading", "u_load", "u_reading", "counts")
        )
    )
    falling, rated = np.concatenate([f for _, f in runs]), np.full(3, 1000.0)
    many, bent = run_figures(whole, falling, rated), diagnose_nonlinearity(whole, rated)
    for i, (run, side) in enumerate(runs):
        one, alone = run_figures(run, side, RATED), diagnose_nonlinearity(run, RATED)
        for name in vars(one):
            assert getattr(one, name)[0] == getattr(many, name)[i], name
        for name in vars(alone):
            assert getattr(alone, name)[0] == getattr(bent, name)[i], name


@given(st.permutations(range(27)), st.floats(0.1, 50), st.floats(-1e6, 1e6))
def test_order_scale_and_offset_change_no_figure(order, factor, shift):
    run, falling = cell(bend=0.5, hysteresis=0.2, zero=0.1, noise=0.1, level=0.0)
    found = run_figures(run, falling, RATED)
    other = points(run.load[order], factor * run.reading[order] + shift)
    moved = run_figures(other, falling[order], RATED)
    for name in ("terminal_pct", "best_fit_pct", "hysteresis_pct", "repeatability_pct"):
        assert getattr(moved, name)[0] == pytest.approx(getattr(found, name)[0], abs=1e-6), name


def test_a_falling_slope_keeps_the_sign_of_the_size():
    run, falling = cell(bend=0.5, level=0.0)
    down = points(run.load, -run.reading)
    found = run_figures(down, falling, RATED)
    assert found.terminal_pct[0] == pytest.approx(-0.5, rel=1e-2)


@pytest.mark.parametrize(
    ("load", "reading", "rated", "says"),
    [
        ([0, 10], [1, 2], 0.0, "rated_load"),
        ([0, 10], [1, 2], np.nan, "rated_load"),
        ([5, 5], [1, 2], 1000.0, "load"),
        ([0, 900], [2, 2], 1000.0, "reading"),
    ],
)
def test_what_is_refused(load, reading, rated, says):
    with pytest.raises(ValueError, match=says):
        run_figures(points(load, reading), np.zeros(2, bool), np.array([rated]))


def test_lack_of_fit_by_scipys_f_distribution():
    from scipy import stats

    run, _ = cell(bend=0.4, noise=0.1)
    test = lack_of_fit(fit_curves(run, 1))
    assert test.p[0] == pytest.approx(
        stats.f.sf(test.f[0], test.numerator_dof[0], test.denominator_dof[0]), rel=1e-12
    )
