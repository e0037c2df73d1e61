"""Where the next numbers should lie."""

import math

import numpy as np
import pytest

from calibration.documents.expected import (
    Line,
    Tolerance,
    offset_range,
    reading_range,
    slope_range,
)

LINE = Line(slope=-65.0, offset=18000.0, u_slope=0.2, u_offset=15.0, covariance=-2.0)
NONE = Tolerance(slope=0.0, offset=0.0)


def middle_and_half(found):
    return (found.low + found.high) / 2, (found.high - found.low) / 2


def test_without_uncertainty_the_range_is_the_tolerance():
    sharp = Line(slope=-65.0, offset=18000.0, u_slope=0.0, u_offset=0.0, covariance=0.0)
    tolerance = Tolerance(slope=0.03, offset=4.0)
    assert middle_and_half(slope_range(sharp, tolerance)) == pytest.approx((-65.0, 1.95))
    assert middle_and_half(offset_range(sharp, tolerance)) == pytest.approx((18000.0, 260.0))
    at_load = middle_and_half(reading_range(sharp, tolerance, 100.0))
    assert at_load == pytest.approx((11500.0, math.hypot(260.0, 195.0)))


def test_tolerance_and_measuring_add_in_quadrature():
    _, half = middle_and_half(offset_range(LINE, Tolerance(slope=0.0, offset=1.0)))
    assert half == pytest.approx(math.hypot(65.0, 2 * math.sqrt(2) * 15.0))


def test_at_no_load_the_reading_range_is_the_offset_range():
    tolerance = Tolerance(slope=0.03, offset=4.0)
    assert reading_range(LINE, tolerance, 0.0) == offset_range(LINE, tolerance)


def test_an_impossible_covariance_by_rounding_is_no_error():
    touching = Line(slope=1.0, offset=0.0, u_slope=1.0, u_offset=10.0, covariance=-10.0000001)
    assert reading_range(touching, NONE, 10.0).u == 0.0


def test_a_healthy_cell_measured_twice_falls_inside_19_times_in_20():
    """Simulated: two points with independent noise, nothing drifted; 95.45 % within 2 u."""
    maker = np.random.default_rng(20260301)
    loads, sd, runs = np.array([0.0, 110.0]), 12.0, 40_000
    readings = 18000.0 + 65.0 * loads + maker.normal(0.0, sd, (2, runs, 2))
    slopes = (readings[..., 1] - readings[..., 0]) / 110.0
    u_slope = math.sqrt(2.0) * sd / 110.0
    inside, here = [], []
    for before, after, zero, again in zip(*slopes, *readings[..., 0], strict=True):
        line = Line(before, zero, u_slope, sd, covariance=-(sd**2) / 110.0)
        found = slope_range(line, NONE)
        inside.append(found.low <= after <= found.high)
        at = reading_range(line, NONE, 110.0)
        here.append(at.low <= again + 110.0 * after <= at.high)
    assert np.mean(inside) == pytest.approx(0.9545, abs=0.005)
    assert np.mean(here) == pytest.approx(0.9545, abs=0.005)
