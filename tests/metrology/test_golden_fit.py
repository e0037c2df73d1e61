"""Straight lines and curves against certified and printed values, and exact arithmetic."""

from fractions import Fraction
from math import sqrt

import numpy as np
import pytest

from calibration.metrology.fit import Points, fit_lines, residuals
from calibration.metrology.inverse import predict_readings, reading_line
from calibration.metrology.nonlinearity import diagnose_nonlinearity, gain, lack_of_fit
from calibration.metrology.polynomial import evaluate, fit_curves
from tests.metrology.published import agrees, column, digits, expected, half_unit, line, points

pytestmark = pytest.mark.golden


def exact_line(x, y):
    """Least squares in fractions: slope, offset, their variances and covariance over s^2, s^2."""
    x, y = [Fraction(float(v)) for v in x], [Fraction(float(v)) for v in y]
    n = len(x)
    mean_x, mean_y = sum(x) / n, sum(y) / n
    square = sum((a - mean_x) ** 2 for a in x)
    slope = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / square
    offset = mean_y - slope * mean_x
    rest = sum((b - offset - slope * a) ** 2 for a, b in zip(x, y, strict=True))
    s2 = rest / (n - 2)
    return slope, offset, s2 / square, s2 * (Fraction(1, n) + mean_x**2 / square), s2


def test_norris_line_keeps_twelve_digits():
    certified = expected("nist_strd")["norris"]
    fit = line(*column("nist_strd", "norris.csv", "x", "y"))
    b0, b1 = certified["coefficients"]["B0"], certified["coefficients"]["B1"]
    assert digits(fit.slope[0], b1["estimate"]) >= 14
    assert digits(fit.offset[0], b0["estimate"]) >= 12
    assert digits(fit.u_slope[0], b1["std_dev"]) >= 13
    assert digits(fit.u_offset[0], b0["std_dev"]) >= 13
    assert digits(fit.residual_sd[0], certified["residual_std_dev"]) >= 13


# Of the printed 15 digits these remain in double precision: the sets of higher difficulty lose
# the rest to the size of their own readings (Wampler 5: scatter 24 million times the terms).
@pytest.mark.parametrize(
    ("name", "degree", "value_digits", "u_digits"),
    [
        ("norris", 1, 12, 13),
        ("pontius", 2, 12, 13),
        ("wampler1", 5, 9, None),
        ("wampler2", 5, 12.5, None),
        ("wampler3", 5, 9, 13),
        ("wampler4", 5, 9, 14),
        ("wampler5", 5, 8, 14),
    ],
)
def test_strd_polynomials(name, degree, value_digits, u_digits):
    certified = expected("nist_strd")[name]
    curve = fit_curves(points(*column("nist_strd", f"{name}.csv", "x", "y")), degree)
    for power in range(degree + 1):
        row = certified["coefficients"][f"B{power}"]
        assert digits(curve.coefficients[0, power], row["estimate"]) >= value_digits
        if u_digits:
            assert digits(curve.u_coefficients[0, power], row["std_dev"]) >= u_digits
        else:
            # certified 0; "0" within the rounding of the largest reading
            assert curve.u_coefficients[0, power] < 1e-9
    if u_digits:
        assert digits(curve.residual_sd[0], certified["residual_std_dev"]) >= 13


def test_pontius_straight_line_of_the_handbook():
    # e-Handbook 4.6.1: the line, its residual sd and the lack-of-fit F that rejects it
    printed = expected("hb_4_6_1")["straight_line"]
    x, y = column("hb_4_6_1", "load_cell.csv", "x", "y")
    fit = line(x, y)
    # the handbook's single precision: B0 is one unit off, exact arithmetic is on our side
    assert fit.offset[0] == pytest.approx(float(exact_line(x, y)[1]), rel=1e-13)
    assert fit.offset[0] == pytest.approx(float(printed["B0"]), abs=2 * half_unit(printed["B0"]))
    assert agrees(fit.slope[0], printed["B1"])
    assert agrees(fit.u_offset[0], printed["sd_B0"])
    assert agrees(fit.u_slope[0], printed["sd_B1"])
    assert fit.residual_sd[0] == pytest.approx(float(printed["residual_sd"]), rel=3e-6)
    assert fit.degrees_of_freedom[0] == printed["residual_df"]
    misfit = lack_of_fit(fit_curves(points(x, y), 1))
    assert misfit.f[0] == pytest.approx(float(printed["lack_of_fit_F"]), rel=5e-6)
    assert misfit.denominator_sd[0] == pytest.approx(float(printed["replication_sd"]), rel=5e-6)
    assert [misfit.numerator_dof[0], misfit.denominator_dof[0]] == printed["lack_of_fit_df"]
    assert misfit.p[0] < 1e-15


def test_pontius_quadratic_of_the_handbook():
    printed = expected("hb_4_6_1")["quadratic"]
    curve = fit_curves(points(*column("hb_4_6_1", "load_cell.csv", "x", "y")), 2)
    for power in range(3):
        value, u = printed[f"B{power}"], printed[f"sd_B{power}"]
        assert curve.coefficients[0, power] == pytest.approx(float(value), rel=1e-4)
        assert curve.u_coefficients[0, power] == pytest.approx(float(u), rel=1e-3)
    assert curve.residual_sd[0] == pytest.approx(float(printed["residual_sd"]), rel=1e-5)
    misfit = lack_of_fit(curve)
    assert agrees(misfit.f[0], printed["lack_of_fit_F"])
    assert [misfit.numerator_dof[0], misfit.denominator_dof[0]] == printed["lack_of_fit_df"]
    assert misfit.p[0] > 0.5


def test_a_load_cell_asks_for_a_quadratic_and_no_more():
    # e-Handbook 4.6.1 comes to the same end: the quadratic is enough
    cell = points(*column("hb_4_6_1", "load_cell.csv", "x", "y"))
    found = diagnose_nonlinearity(cell, np.array([3_000_000.0]))
    assert found.order[0] == 2
    assert found.p_quadratic[0] < 1e-30
    assert found.p_cubic[0] > 0.05
    line_, curve = fit_curves(cell, 1), fit_curves(cell, 2)
    apart = np.abs(
        evaluate(curve, cell.load[None])[0] - evaluate(line_, cell.load[None])[0]
    ).max() / (line_.coefficients[0, 1] * 3_000_000.0)
    assert found.bend_pct[0] == pytest.approx(100 * apart, rel=1e-12)


def test_gain_is_the_squared_t_of_the_added_term():
    x, y = column("nist_strd", "pontius.csv", "x", "y")
    curve = fit_curves(points(x, y), 2)
    t = curve.coefficients[0, 2] / curve.u_coefficients[0, 2]
    assert gain(fit_curves(points(x, y), 1), curve).f[0] == pytest.approx(t**2, rel=1e-9)


def test_gum_h3_thermometer():
    # JCGM 100:2008, H.3.2 to H.3.4, printed values
    source = expected("gum_h3")
    printed, more = source["printed"], source["more_digits"]
    t, b = column("gum_h3", "thermometer.csv", "t_degC", "b_degC")
    fit = line(t - source["t0"], b)
    assert agrees(fit.offset[0], printed["y1"])
    assert agrees(fit.u_offset[0], printed["s(y1)"])
    assert agrees(fit.slope[0], printed["y2"])
    assert agrees(fit.u_slope[0], printed["s(y2)"])
    assert agrees(fit.residual_sd[0], printed["s"])
    correlation = fit.covariance[0] / (fit.u_offset[0] * fit.u_slope[0])
    assert agrees(correlation, printed["r(y1,y2)"])
    assert fit.degrees_of_freedom[0] == printed["nu"]
    assert digits(fit.offset[0], more["intercept"]) >= 12
    assert digits(fit.slope[0], more["slope"]) >= 12
    assert digits(fit.u_slope[0], more["u_slope"]) >= 12
    assert digits(np.sum(residuals(fit) ** 2), more["sum_of_squares"]) >= 11
    at = np.array([[float(source["predict_at"] - source["t0"])]])
    value, u = predict_readings(reading_line(fit), at)
    assert agrees(value[0, 0], printed["b(30 C)"])
    assert agrees(u[0, 0], printed["u(b(30 C))"])
    # the same from slope, offset and covariance, as the source writes it
    by_hand = fit.u_offset**2 + (10 * fit.u_slope) ** 2 + 20 * fit.covariance
    assert u[0, 0] == pytest.approx(sqrt(by_hand[0]), rel=1e-12)


@pytest.mark.parametrize(
    "name", ["ex1_wls_equal", "ex2_wls_unequal", "ex3_errors_in_x_and_y", "ex4_unknown_scale_OLS"]
)
def test_iso_ts_28037_examples(name):
    example = expected("iso_ts_28037")[name]
    printed = example["published"]
    fit = line(example["x"], example["y"], example.get("u_x"), example.get("u_y"))
    # The source takes stated uncertainties as they are; we widen them where residuals are larger.
    birge = max(float(fit.birge_ratio[0]), 1.0)
    assert agrees(fit.offset[0], printed["a"])
    assert agrees(fit.slope[0], printed["b"])
    assert agrees(fit.u_offset[0] / birge, printed["u(a)"])
    assert agrees(fit.u_slope[0] / birge, printed["u(b)"])
    assert agrees(fit.covariance[0] / birge**2, printed["cov"])
    if "chi2" in printed:
        assert agrees(fit.birge_ratio[0] ** 2 * fit.degrees_of_freedom[0], printed["chi2"])
    for key, value in (
        ("a", fit.offset[0]),
        ("b", fit.slope[0]),
        ("u_a", fit.u_offset[0] / birge),
        ("u_b", fit.u_slope[0] / birge),
        ("cov", fit.covariance[0] / birge**2),
    ):
        if key in example.get("gtc_15_digits", {}):
            assert digits(value, example["gtc_15_digits"][key]) >= 12


def test_pearsons_data_with_yorks_weights():
    printed = expected("pearson_york")["expected"]
    x, wx, y, wy = column("pearson_york", "pearson_york.csv", "x", "wx", "y", "wy")
    fit = line(x, y, wx**-0.5, wy**-0.5)
    assert agrees(fit.offset[0], printed["a"])
    assert agrees(fit.slope[0], printed["b"])
    assert agrees(fit.birge_ratio[0] ** 2, printed["chi2_over_nu"])
    # York et al. state the uncertainties without the factor sqrt(chi2 / nu)
    assert agrees(fit.u_offset[0] / fit.birge_ratio[0], printed["sigma_a (York 2004)"])
    assert agrees(fit.u_slope[0] / fit.birge_ratio[0], printed["sigma_b (York 2004)"])


@pytest.mark.parametrize("noise", [0, 1, 40])
@pytest.mark.parametrize("level", [0, 8_000_000, -8_000_000])
def test_eight_million_counts_keep_ten_digits(level, noise):
    rng = np.random.default_rng(level % 1000 + noise)
    load = np.array([0.0, 1100.0, 550.0, 1650.0, 0.0, 2200.0, 1100.1])
    reading = level - 500 + load / 2.2 + np.round(rng.normal(0.0, 1.0, len(load)) * noise)
    slope, offset, var_slope, var_offset, s2 = exact_line(load, reading)
    fit = line(load, reading)
    assert abs(Fraction(float(fit.slope[0])) / slope - 1) < Fraction(1, 10**12)
    assert abs(Fraction(float(fit.offset[0])) / offset - 1) < Fraction(1, 10**10)
    if noise:
        assert fit.u_slope[0] == pytest.approx(sqrt(var_slope), rel=1e-9)
        assert fit.u_offset[0] == pytest.approx(sqrt(var_offset), rel=1e-9)
        assert fit.residual_sd[0] == pytest.approx(sqrt(s2), rel=1e-9)


def test_two_points_at_eight_million_counts_are_exact():
    fit = line([0.0, 1000.0], [7_999_500.25, 8_000_500.75])
    assert fit.slope[0] == 1.0005
    assert fit.offset[0] == 7_999_500.25
    assert not fit.scale_known[0]


def test_one_calibration_alone_gives_the_bits_that_it_gives_in_a_batch():
    rng = np.random.default_rng(5)
    counts = np.concatenate((rng.integers(2, 40, 500), np.full(5000, 2)))
    load = rng.uniform(0, 2000, counts.sum())
    reading = 8e6 + 3.1 * load + rng.normal(0, 5, len(load))
    u_load, u_reading = rng.uniform(0.1, 2, (2, len(load)))
    many = fit_lines(Points(load, reading, u_load, u_reading, counts), 0.5)
    ends = np.cumsum(counts)
    for i in [*rng.choice(500, 60, replace=False).tolist(), 501, 4599, 5499]:
        own = slice(ends[i] - counts[i], ends[i])
        one = fit_lines(
            Points(load[own], reading[own], u_load[own], u_reading[own], counts[i : i + 1]), 0.5
        )
        for name in ("slope", "offset", "u_slope", "u_offset", "covariance", "residual_sd"):
            assert getattr(one, name)[0] == getattr(many, name)[i], name


def test_curves_of_one_calibration_alone_and_in_a_batch():
    rng = np.random.default_rng(6)
    counts = rng.integers(5, 30, 200)
    load = rng.uniform(0, 2000, counts.sum())
    reading = 8e6 + 3.1 * load + 1e-4 * load**2 + rng.normal(0, 5, len(load))
    zero = np.zeros_like(load)
    many = fit_curves(Points(load, reading, zero, zero, counts), 3)
    ends = np.cumsum(counts)
    for i in range(0, 200, 7):
        own = slice(ends[i] - counts[i], ends[i])
        one = fit_curves(
            Points(load[own], reading[own], zero[own], zero[own], counts[i : i + 1]), 3
        )
        assert (one.coefficients[0] == many.coefficients[i]).all()
        assert (one.u_coefficients[0] == many.u_coefficients[i]).all()
        polynomial, covariance = np.polyfit(
            (load[own] - many.centre[i]) / many.half_range[i], reading[own], 3, cov=True
        )
        assert many.central[i] == pytest.approx(polynomial[::-1], rel=1e-9, abs=1e-6)
        assert many.central_covariance[i] == pytest.approx(covariance[::-1, ::-1], rel=1e-6)


@pytest.mark.parametrize(
    ("x", "y", "degree", "says"),
    [
        ([0, 1, 2], [0, 1, 2], 0, "degree"),
        ([0, 1, 2], [0, 1, 2], 6, "degree"),
        ([0, np.inf, 2], [0, 1, 2], 2, "finite"),
        ([0, 1, 2], [0, np.nan, 2], 2, "finite"),
    ],
)
def test_what_a_curve_refuses(x, y, degree, says):
    with pytest.raises(ValueError, match=says):
        fit_curves(points(x, y), degree)


@pytest.mark.parametrize("axis", ["u_load", "u_reading"])
def test_a_line_refuses_uncertainty_of_some_points_only(axis):
    with pytest.raises(ValueError, match="every point"):
        line([0, 1, 2], [0, 1.1, 2], **{axis: [0, 1, 1]})


def test_too_few_loads_for_a_curve_is_an_outcome_and_no_error():
    curve = fit_curves(points([0, 0, 10, 10], [1, 2, 5, 6]), 2)
    assert not curve.estimable[0]
    assert np.isfinite(curve.coefficients).all()
    assert not lack_of_fit(curve).possible[0]


def test_half_unit_of_the_last_printed_digit():
    assert half_unit("0.614969E-02") == pytest.approx(0.5e-8)
    assert half_unit("38") == 0.5
    assert agrees(0.0041449, "0.0041")
    assert not agrees(0.00416, "0.0041")
