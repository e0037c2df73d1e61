"""Readings turned back into loads: published values with their intervals, and coverage."""

import numpy as np
import pytest
from scipy import optimize, stats

from calibration.metrology.coverage import coverage_factor, effective_degrees_of_freedom
from calibration.metrology.fit import Points, fit_lines
from calibration.metrology.inverse import (
    ReadingLine,
    predict_readings,
    read_loads,
    read_loads_on_curve,
    reading_line,
)
from calibration.metrology.polynomial import fit_curves
from tests.metrology.published import agrees, column, expected, line, points


def one(value):
    return np.array([[float(value)]])


def exact_line(slope, offset):
    zero, many = np.zeros(1), np.array([np.inf])
    return ReadingLine(
        np.array([slope]),
        np.array([offset]),
        zero,
        zero,
        zero,
        zero,
        zero,
        many,
        many,
        np.ones(1),
        np.array([True]),
    )


@pytest.mark.golden
@pytest.mark.parametrize(
    ("y", "repeats", "key", "book"),
    [
        (15, 1, "ex1 15", "ex1 y=15"),
        (90, 1, "ex1 90", "ex1 y=90"),
        (90, 5, "ex1 90x5", "ex1 y=90 (5 readings)"),
    ],
)
def test_massart_example_1(y, repeats, key, book):
    source = expected("massart")
    found = read_loads(
        reading_line(line(*column("massart", "massart97_ex1.csv", "x", "y"))),
        one(y),
        repeats=repeats,
    )
    load, u, half = source["seven_digits"][key]
    assert agrees(found.load[0, 0], load)
    assert agrees(found.u_load[0, 0], u)
    assert agrees(found.expanded[0, 0], half)
    value, interval = source["book"][book].split(" +- ")
    assert agrees(found.load[0, 0], value)
    assert agrees(found.expanded[0, 0], interval)


@pytest.mark.golden
@pytest.mark.parametrize(("y", "weight", "key"), [(15, 1.67, "ex3w 15"), (90, 0.145, "ex3w 90")])
def test_massart_example_3_weighted(y, weight, key):
    source = expected("massart")
    x, signal = column("massart", "massart97_ex3.csv", "x", "y")
    levels = np.unique(x)
    means = np.array([signal[x == level].mean() for level in levels])
    sds = np.array([signal[x == level].std(ddof=1) for level in levels])
    printed_sds, weights = source["weights_ex3"]
    np.testing.assert_allclose(sds, printed_sds, atol=0.005001)
    fit = line(levels, means, None, np.array(weights) ** -0.5)
    # residuals give the scale, of the line and of the new signal alike (Birge ratio > 1)
    found = read_loads(
        reading_line(fit), one(y), u_reading=fit.birge_ratio[:, None] / np.sqrt(weight)
    )
    load, u, half = source["seven_digits"][key]
    assert agrees(found.load[0, 0], load)
    assert agrees(found.u_load[0, 0], u)
    t = coverage_factor(np.array([4.0]))[0]
    assert agrees(t * found.u_load[0, 0], half)


@pytest.mark.golden
def test_din_32645():
    source = expected("din32645")
    fit = reading_line(line(*column("din32645", "din32645.csv", "x", "y")))
    found = read_loads(fit, one(source["y"]), level=source["level"])
    assert agrees(found.expanded[0, 0], source["half_width"])


@pytest.mark.golden
def test_walpole_33_points():
    source = expected("walpole")
    x, y = column("walpole", "walpole_33_points.csv", "x", "y")
    fit = line(x, y)
    values = {
        "a": fit.offset[0],
        "u_a": fit.u_offset[0],
        "b": fit.slope[0],
        "u_b": fit.u_slope[0],
        "corr": fit.covariance[0] / fit.u_offset[0] / fit.u_slope[0],
    }
    for key, value in values.items():
        assert value == pytest.approx(float(source[key]), rel=1e-12), key
    ready = reading_line(fit)
    mean, u_mean = predict_readings(ready, one(21.5))
    assert mean[0, 0] == pytest.approx(float(source["mean response at 21.5"][0]), rel=1e-12)
    assert u_mean[0, 0] == pytest.approx(float(source["mean response at 21.5"][1]), rel=1e-12)
    single = np.hypot(u_mean, fit.residual_sd[0])[0, 0]
    assert single == pytest.approx(float(source["single response at 21.5"][1]), rel=1e-12)
    key = "x from y=[31.4,29.3,27.1]"
    found = read_loads(ready, one(np.mean([31.4, 29.3, 27.1])), repeats=3)
    assert found.load[0, 0] == pytest.approx(float(source[key][0]), rel=1e-12)
    assert found.u_load[0, 0] == pytest.approx(float(source[key][1]), rel=1e-12)
    assert found.degrees_of_freedom[0, 0] == pytest.approx(source["df"])


@pytest.mark.golden
def test_doebelins_gauge():
    source = expected("doebelin")
    x, up, down = column(
        "doebelin",
        "pressure_gauge.csv",
        "true_kPa",
        "indicated_increasing_kPa",
        "indicated_decreasing_kPa",
    )
    fit = line(np.concatenate([x, x]), np.concatenate([up, down]))
    assert agrees(fit.slope[0], source["m"])
    assert agrees(fit.offset[0], source["b"])
    by_n = np.sqrt(20 / 22)  # the book divides by N
    assert agrees(fit.residual_sd[0] * by_n, source["s_qo"])
    assert fit.u_slope[0] * by_n == pytest.approx(0.0134, abs=5e-5)
    assert fit.u_slope[0] == pytest.approx(0.0140, abs=5e-5)
    assert fit.u_offset[0] * by_n == pytest.approx(0.079, abs=5e-4)
    assert fit.u_offset[0] == pytest.approx(0.083, abs=5e-4)
    three_s = 3 * fit.residual_sd[0] * by_n / fit.slope[0]
    assert 0.54 <= three_s <= 0.57
    # the book reads 4.32 back with its rounded numbers
    rounded = exact_line(float(source["m"]), float(source["b"]))
    assert agrees(read_loads(rounded, one(4.32)).load[0, 0], source["q_i(4.32)"])


@pytest.mark.golden
@pytest.mark.parametrize(("name", "u"), [("ex1_wls_equal", 0.5), ("ex2_wls_unequal", 1.0)])
def test_iso_ts_28037_reads_back(name, u):
    example = expected("iso_ts_28037")[name]
    fit = line(example["x"], example["y"], None, example["u_y"])
    ready = reading_line(fit)
    scale = max(float(fit.birge_ratio[0]), 1.0)  # the source has no Birge ratio
    ready = ReadingLine(
        **(vars(ready) | {"u_pivot": fit.u_pivot / scale, "u_slope": fit.u_slope_random / scale})
    )
    found = read_loads(ready, one(10.5), u_reading=one(u))
    printed = example["published"]
    assert agrees(found.load[0, 0], printed[f"x(y=10.5,u={u})"])
    assert agrees(found.u_load[0, 0], printed["u"])
    # leaving the covariance out would show: it is a matter of the second digit
    naive = np.hypot(u, np.hypot(fit.u_offset, found.load[0, 0] * fit.u_slope) / scale)
    assert naive[0] / fit.slope[0] > 1.1 * found.u_load[0, 0]


@pytest.mark.golden
def test_handbook_load_cell_on_the_quadratic():
    # e-Handbook 4.6.1: deflection 1.239722, 95 % interval by inversion of the band
    printed = expected("hb_4_6_1")["calibration"]
    curve = fit_curves(points(*column("hb_4_6_1", "load_cell.csv", "x", "y")), 2)
    found, lower, upper = read_loads_on_curve(curve, one(printed["new_deflection"]))
    # printed to the unit from the handbook's six-digit coefficients
    assert found.load[0, 0] == pytest.approx(float(printed["estimated_load"]), abs=1.0)
    assert lower[0, 0] == pytest.approx(float(printed["ci95_lower"]), abs=1.0)
    assert upper[0, 0] == pytest.approx(float(printed["ci95_upper"]), abs=1.0)
    assert found.expanded[0, 0] == pytest.approx((upper - lower)[0, 0] / 2, rel=1e-4)


def test_a_curve_that_is_a_line_reads_as_the_line():
    x, y = column("massart", "massart97_ex1.csv", "x", "y")
    by_line = read_loads(reading_line(line(x, y)), one(15))
    by_curve, _, _ = read_loads_on_curve(fit_curves(points(x, y), 1), one(15))
    for name in ("load", "u_load", "degrees_of_freedom", "expanded"):
        assert getattr(by_curve, name)[0, 0] == pytest.approx(
            getattr(by_line, name)[0, 0], rel=1e-10
        )


def test_a_reading_that_a_curve_never_gives_is_refused():
    curve = fit_curves(points([0, 1, 2, 3, 4], [0, 3.9, 6.1, 5.9, 4.1]), 2)
    with pytest.raises(ValueError, match="does not reach"):
        read_loads_on_curve(curve, one(50.0))


def test_the_pivot_form_is_the_covariance_form():
    rng = np.random.default_rng(1)
    x = np.linspace(0, 2000, 9)
    fit = line(x, 300 + 2.5 * x + rng.normal(0, 4, 9), None, np.full(9, 3.0), 0.4)
    found = read_loads(reading_line(fit, 0.4), one(3000), u_reading=one(3.0))
    load = found.load[0, 0]
    variance = (
        3.0**2
        + fit.u_offset[0] ** 2
        + load**2 * fit.u_slope[0] ** 2  # with the reference's share
        + 2 * load * fit.covariance[0]
    ) / fit.slope[0] ** 2
    assert found.u_load[0, 0] == pytest.approx(np.sqrt(variance), rel=1e-10)


def test_first_order_propagation_by_numeric_derivatives():
    # JCGM 100:2008, 5.1.3 note 2: sensitivity coefficients by finite differences
    x, y = column("walpole", "walpole_33_points.csv", "x", "y")
    fit, reading = line(x, y), 29.0
    s = fit.residual_sd[0]
    base = read_loads(reading_line(fit), one(reading), u_reading=one(s)).u_load[0, 0]
    variance = (s / fit.slope[0]) ** 2
    for i in range(len(y)):
        moved = []
        for sign in (-1, 1):
            other = y.copy()
            other[i] += sign * s / 2
            refit = line(x, other)
            moved.append((reading - refit.offset[0]) / refit.slope[0])
        variance += (moved[1] - moved[0]) ** 2
    assert base == pytest.approx(np.sqrt(variance), rel=1e-4)


def test_stated_95_percent_covers_95_percent():
    rng = np.random.default_rng(2)
    runs, n = 20_000, 5
    x = np.tile(np.array([0.0, 500, 1000, 1500, 2000]), runs)
    y = 100 + 2 * x + rng.normal(0, 3, len(x))
    zero = np.zeros_like(x)
    fit = fit_lines(Points(x, y, zero, zero, np.full(runs, n)))
    true = rng.uniform(0, 2000, (runs, 1))
    reading = 100 + 2 * true + rng.normal(0, 3, (runs, 1))
    found = read_loads(reading_line(fit), reading)
    covered = np.mean(np.abs(found.load - true) <= found.expanded)
    assert covered == pytest.approx(0.95, abs=0.006)


def test_coverage_with_stated_uncertainty_and_inflation():
    rng = np.random.default_rng(3)
    runs = 20_000
    x = np.tile(np.array([0.0, 1000, 2000]), runs)
    y = 100 + 2 * x + rng.normal(0, 3, len(x))
    fit = fit_lines(Points(x, y, np.zeros_like(x), np.full_like(x, 3.0), np.full(runs, 3)))
    true = rng.uniform(0, 2000, (runs, 1))
    reading = 100 + 2 * true + rng.normal(0, 3, (runs, 1))
    found = read_loads(reading_line(fit), reading, u_reading=np.full((runs, 1), 3.0))
    covered = np.mean(np.abs(found.load - true) <= found.expanded)
    # inflation is one-sided, so the intervals are a little wide; never narrow
    assert 0.945 <= covered <= 0.985


@pytest.mark.parametrize("scatter", [3.0, 6.0, 9.0])
def test_a_reading_scatters_as_the_points_did(scatter):
    """Points that scatter more than was stated say so of the reading as well: 95 % is 95 %."""
    rng = np.random.default_rng(4)
    runs, n = 20_000, 5
    x = np.tile(np.array([0.0, 500, 1000, 1500, 2000]), runs)
    y = 100 + 2 * x + rng.normal(0, scatter, len(x))
    fit = fit_lines(Points(x, y, np.zeros_like(x), np.full_like(x, 3.0), np.full(runs, n)))
    true = rng.uniform(0, 2000, (runs, 1))
    reading = 100 + 2 * true + rng.normal(0, scatter, (runs, 1))
    found = read_loads(reading_line(fit), reading, u_reading=np.full((runs, 1), 3.0), alike=True)
    covered = np.mean(np.abs(found.load - true) <= found.expanded)
    # Widening is one-sided and begins at the stated scatter: never narrow by much.
    assert 0.94 <= covered <= 0.985


def test_unknown_scale_is_said():
    found = read_loads(reading_line(line([0, 10], [1, 21])), one(11))
    assert found.load[0, 0] == 5.0
    assert not found.known[0]
    assert np.isfinite(found.expanded).all()


@pytest.mark.golden
def test_welch_satterthwaite_gum_g_4_1():
    item = expected("gum_welch_satterthwaite")["G.4.1"]
    u = np.array(item["inputs"]["rel_u_percent"])
    dof = np.array(item["inputs"]["n"]) - 1
    effective = effective_degrees_of_freedom(u, dof)
    combined = np.sqrt(np.sum(u**2))
    assert agrees(combined, item["expected"]["u_c(y)/y percent"])
    assert agrees(effective, item["expected"]["nu_eff"])
    k = coverage_factor(np.round(effective))  # 19.0 as printed
    assert agrees(k, item["expected"]["t95(19)"])
    assert agrees(k * combined, item["expected"]["U95/y percent"])


@pytest.mark.golden
def test_welch_satterthwaite_gum_h_1():
    # H.1: comparator d with three contributions, then the length
    item = expected("gum_welch_satterthwaite")["H.1"]
    printed, d = item["expected"], np.array(list(item["inputs"]["d"].values()))
    u_d, nu_d = np.sqrt(np.sum(d[:, 0] ** 2)), effective_degrees_of_freedom(d[:, 0], d[:, 1])
    assert u_d == pytest.approx(float(printed["u(d)"]), rel=1e-11)
    assert nu_d == pytest.approx(float(printed["nu(d)"]), rel=1e-11)
    u = np.array(
        [
            25.0,
            u_d,
            float(printed["u(l_s*d_alpha*theta)"]),
            float(printed["u(l_s*alpha_s*d_theta)"]),
        ]
    )
    dof = np.array([18.0, nu_d, 50.0, 2.0])
    assert np.sqrt(np.sum(u**2)) == pytest.approx(float(printed["u_c(l)"]), rel=1e-11)
    assert effective_degrees_of_freedom(u, dof) == pytest.approx(
        float(printed["nu_eff"]), rel=1e-10
    )


def test_infinite_freedom_and_none_at_all():
    infinite = effective_degrees_of_freedom([1.0, 2.0], [np.inf, np.inf])
    assert infinite == np.inf
    assert coverage_factor(infinite) == pytest.approx(stats.norm.ppf(0.975), rel=1e-12)
    assert effective_degrees_of_freedom([0.0, 0.0], [3.0, 5.0]) == np.inf
    assert effective_degrees_of_freedom([0.0, 1e-200], [3.0, 5.0]) == 5.0
    with pytest.raises(ValueError, match="dof"):
        effective_degrees_of_freedom([1.0], [0.0])
    with pytest.raises(ValueError, match="u:"):
        effective_degrees_of_freedom([-1.0], [2.0])
    with pytest.raises(ValueError, match="level"):
        coverage_factor(np.array([3.0]), 95.0)


@pytest.mark.golden
def test_gum_table_g2():
    fractions = [0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973]
    for nu, row in expected("gum_table_g2").items():
        for level, printed in zip(fractions, row, strict=True):
            ours = coverage_factor(np.array([float(nu)]), level)[0]
            # printed with two decimals (one for the largest)
            assert ours == pytest.approx(printed, abs=0.051 if printed > 200 else 0.00501)


def test_errors_in_both_axes_by_a_general_optimiser():
    # the same model as a plain nonlinear least-squares problem over line and adjusted loads
    x, wx, y, wy = column("pearson_york", "pearson_york.csv", "x", "wx", "y", "wy")
    fit = line(x, y, wx**-0.5, wy**-0.5)

    def off(unknown):
        offset, slope, at = unknown[0], unknown[1], unknown[2:]
        return np.concatenate([(x - at) * wx**0.5, (y - offset - slope * at) * wy**0.5])

    found = optimize.least_squares(off, np.concatenate([[5.5, -0.5], x]), xtol=1e-14, ftol=1e-14)
    assert fit.offset[0] == pytest.approx(found.x[0], rel=1e-6)
    assert fit.slope[0] == pytest.approx(found.x[1], rel=1e-6)
    assert fit.birge_ratio[0] ** 2 * 8 == pytest.approx(2 * found.cost, rel=1e-9)


@pytest.mark.parametrize(
    ("kwargs", "says"),
    [({"repeats": 0}, "repeats"), ({"level": 1.0}, "level"), ({"reading": np.nan}, "reading")],
)
def test_what_reading_back_refuses(kwargs, says):
    ready = reading_line(line([0, 10, 20], [1, 21, 42]))
    reading = one(kwargs.pop("reading", 11))
    with pytest.raises(ValueError, match=says):
        read_loads(ready, reading, **kwargs)


def test_a_flat_line_reads_nothing():
    with pytest.raises(ValueError, match="slope"):
        read_loads(exact_line(0.0, 5.0), one(5.0))
