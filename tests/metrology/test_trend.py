"""Theil-Sen rate and crossing day against published examples, scipy, and simulation."""

import csv
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import norm, theilslopes

from calibration.metrology.crossing import crossing
from calibration.metrology.trend import stated_uncertainty, theil_sen

GOLDEN = Path(__file__).parents[2] / "fixtures" / "golden"


def golden(source: str, name: str) -> dict:
    return json.loads((GOLDEN / source / name).read_text())


@pytest.mark.golden
def test_sen_1968_large_sample_interval():
    data = golden("theil_sen", "data.json")["sen_1968"]
    expected = golden("theil_sen", "expected.json")["sen_1968"]
    trend = theil_sen([data["x"]], [data["y"]], confidence=expected["confidence"], exact=False)
    low, high = (float(Fraction(text)) for text in expected["large_sample_interval"])
    assert trend.rate[0] == expected["slope"]
    assert trend.rate_low[0] == pytest.approx(low, abs=1e-12)
    assert trend.rate_high[0] == pytest.approx(high, abs=1e-12)


@pytest.mark.golden
def test_sen_1968_exact_interval_follows_kendalls_table():
    # P(K >= 13) = 0.035 for n = 7: 21 - 13 = 8 = 2 * 4, so 4 slopes are cut at either end.
    data = golden("theil_sen", "data.json")["sen_1968"]
    x, y = np.array(data["x"], float), np.array(data["y"], float)
    first, second = np.triu_indices(7, 1)
    slopes = np.sort((y[second] - y[first]) / (x[second] - x[first]))
    trend = theil_sen([x], [y], confidence=0.93)
    assert (trend.rate_low[0], trend.rate_high[0]) == (slopes[4], slopes[-5])


@pytest.mark.golden
def test_hollander_wolfe_cloud_seeding():
    data = golden("theil_sen", "data.json")["hollander_wolfe_cloud_seeding"]
    trend = theil_sen([data["x"]], [data["y"]])
    printed = golden("theil_sen", "expected.json")["hollander_wolfe_cloud_seeding"]["slope"]
    assert trend.rate[0] == pytest.approx(float(printed), abs=0.0005)


@pytest.mark.golden
def test_epa_2009_example_17_7():
    with (GOLDEN / "epa2009_ex17_7" / "data.csv").open() as file:
        rows = list(csv.DictReader(file))
    years = [[float(row["year"]) for row in rows]]
    sodium = [[float(row["sodium_ppm"]) for row in rows]]
    expected = golden("epa2009_ex17_7", "expected.json")
    assert theil_sen(years, sodium).rate[0] == pytest.approx(
        float(expected["theil_sen_slope"]), abs=0.005
    )


def histories(seed: int, sensors: int, seasons: int):
    rng = np.random.default_rng(seed)
    t = np.sort(rng.integers(0, 3000, (sensors, seasons)).astype(float), axis=1)
    y = 1e-3 * t + rng.normal(0, 1, (sensors, seasons))
    return t, y


def test_agrees_with_scipy():
    t, y = histories(1, 40, 9)
    trend = theil_sen(t, y)
    for sensor in range(40):
        assert trend.rate[sensor] == pytest.approx(theilslopes(y[sensor], t[sensor])[0], rel=1e-12)


def test_one_sensor_gives_the_bits_of_the_batch_at_any_padding():
    t, y = histories(2, 200, 12)
    lengths = np.random.default_rng(3).integers(0, 13, 200)
    mask = np.arange(12) < lengths[:, None]
    batch = theil_sen(t, y, mask, u=0.5)
    for sensor in range(200):
        k = lengths[sensor]
        alone = theil_sen(t[sensor : sensor + 1, :k], y[sensor : sensor + 1, :k], u=0.5)
        for name in ("rate", "rate_low", "rate_high", "u_rate"):
            assert getattr(alone, name)[0] == getattr(batch, name)[sensor]


@given(
    arrays(np.float64, (1, 6), elements=st.integers(0, 400).map(float)),
    arrays(np.float64, (1, 6), elements=st.integers(-1000, 1000).map(float)),
    st.permutations(range(6)),
)
def test_order_and_a_constant_change_nothing_and_ties_are_survived(t, y, order):
    plain = theil_sen(t, y)
    turned = theil_sen(t[:, order], y[:, order] + 64.0)
    assert np.isfinite(plain.rate).all()
    assert turned.rate[0] == pytest.approx(plain.rate[0], abs=1e-9)
    assert plain.rate_low[0] <= plain.rate[0] <= plain.rate_high[0]
    assert plain.known[0] == (len(set(t[0])) > 1)


def test_two_calibrations_on_one_day_have_no_rate():
    trend = theil_sen([[10.0, 10.0]], [[1.0, 2.0]], u=0.1)
    assert (trend.rate[0], trend.known[0], trend.bounded[0]) == (0.0, False, False)


def test_one_time_that_weighs_something_says_nothing_of_the_rate():
    days = np.random.default_rng(8).uniform(1e4, 2e4, (500, 1))
    t = days + np.array([0.0, 0.0, 775.0])
    apart = t + np.array([0.0, 1 / 1440, 0.0])
    assert np.isinf(stated_uncertainty(t, [0.014, 0.0, 0.0])).all()
    assert np.isfinite(stated_uncertainty(apart, [0.014, 0.014, 0.0])).all()


def test_distribution_free_interval_covers():
    rng = np.random.default_rng(4)
    t = np.broadcast_to(np.arange(8.0), (20_000, 8))
    y = 0.3 * t + rng.standard_t(2, (20_000, 8))
    trend = theil_sen(t, y)
    covered = ((trend.rate_low <= 0.3) & (trend.rate_high >= 0.3)).mean()
    # Conservative by construction: 1 - 2 P(K) attainable for n = 8 is 0.9690.
    assert covered == pytest.approx(0.969, abs=0.005)


def test_interval_from_stated_uncertainties_covers_with_three_seasons():
    rng = np.random.default_rng(5)
    t = np.broadcast_to([0.0, 350.0, 760.0], (20_000, 3))
    y = 0.01 * t + rng.normal(0, 0.4, (20_000, 3))
    trend = theil_sen(t, y, u=0.4)
    covered = ((trend.rate_low <= 0.01) & (trend.rate_high >= 0.01)).mean()
    assert covered == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize("references", [(0, 0, 1), (1, 0, 0), (0, 0, 0), (0, 1, 0)])
def test_an_error_that_some_share_moves_them_together(references):
    """JCGM 100:2008, 5.2.2; against simulated errors of each calibration and each reference."""
    rng = np.random.default_rng(6)
    t, u = np.array([0.0, 380.0, 760.0]), np.array([0.1, 0.2, 0.1])
    u_of = np.array([0.05, 1.0])
    group, runs = np.array(references), 40_000
    y = rng.normal(0, u, (runs, 3)) + rng.normal(0, u_of, (runs, 2))[:, group]
    seen = theil_sen(np.broadcast_to(t, y.shape), y).rate.std()
    (said,) = stated_uncertainty([t], [u], group=[group], u_group=[u_of[group]])
    # The efficiency of a median of three slopes is not quite that of many, pi / 3.
    assert said == pytest.approx(seen, rel=0.08)
    (alone,) = stated_uncertainty([t], [u])
    # One reference at both ends: its error cancels.
    assert (said == pytest.approx(alone)) == (references[0] == references[2])


def test_groups_do_not_mind_padding():
    t, u = np.array([[0.0, 350.0, 760.0]]), np.full((1, 3), 0.1)
    plain = stated_uncertainty(t, u, group=[[0, 0, 1]], u_group=[[0.1, 0.1, 1.0]])
    mask = [[False, True, True, True, False]]
    wide = stated_uncertainty(
        np.pad(t, ((0, 0), (1, 1)), constant_values=99.0), np.pad(u, ((0, 0), (1, 1))), mask,
        group=[[1, 0, 0, 1, 0]], u_group=[[1.0, 0.1, 0.1, 1.0, 0.1]],
    )  # fmt: skip
    assert wide[0] == plain[0]


@pytest.mark.parametrize(
    ("call", "names"),
    [
        (lambda: theil_sen([1.0], [1.0]), "t: shape"),
        (lambda: theil_sen([[1.0, 2.0]], [[1.0, np.nan]]), "y: a value"),
        (lambda: theil_sen([[1.0, 2.0]], [[1.0, 2.0, 3.0]]), "y: shape"),
        (lambda: theil_sen([[1.0, 2.0]], [[1.0, 2.0]], [[True]]), "mask: shape"),
        (lambda: theil_sen([[1.0, 2.0]], [[1.0, 2.0]], confidence=1.0), "probability"),
        (lambda: crossing([0.0], [1.0], [0.0]), "tolerance"),
        (lambda: crossing([0.0], [1.0], [1.0], u_rate=[-1.0]), "u_rate"),
        (lambda: crossing([0.0], [1.0], [1.0], confidence=0.2), "confidence"),
    ],
)
def test_bad_input_names_the_argument(call, names):
    with pytest.raises(ValueError, match=names):
        call()


def test_crossing_by_hand():
    # From +0.5 at 0.01 a day the limit of 3 is 250 days off, from -1 at -0.01 200; a still one
    # never crosses; one that is outside has crossed.
    result = crossing([0.5, -1.0, 0.0, 4.0], [0.01, -0.01, 0.0, 0.0], 3.0)
    assert result.expected.tolist() == pytest.approx([250.0, 200.0, np.inf, 0.0])
    assert result.earliest.tolist() == pytest.approx([250.0, 200.0, np.inf, 0.0])


@given(
    st.floats(-2.9, 2.9), st.floats(-0.02, 0.02), st.floats(0, 0.5), st.floats(0, 0.01),
    st.floats(0, 0.01),
)  # fmt: skip
def test_earliest_day_is_where_the_stated_probability_is_reached(level, rate, u, u_rate, walk):
    z = norm.ppf(0.9)
    result = crossing([level], [rate], [3.0], u_level=u, u_rate=u_rate, walk=walk, confidence=0.9)
    day = result.earliest[0]
    assert day <= result.expected[0]

    def room(at: float) -> float:
        spread = np.sqrt(u**2 + walk * at + (u_rate * at) ** 2)
        return min(3.0 - level - rate * at, 3.0 + level + rate * at) - z * spread

    if day == 0.0:
        assert room(0.0) <= 1e-9
    elif np.isfinite(day) and day < 1e7:
        assert room(day) == pytest.approx(0.0, abs=1e-6 * (1 + day * (abs(rate) + u_rate)))
        assert room(0.5 * day) > 0.0


def test_earliest_day_is_early_as_often_as_stated():
    rng = np.random.default_rng(6)
    n, u, u_rate = 40_000, 0.2, 0.001
    rate = np.full(n, 0.01)
    result = crossing(
        rng.normal(0, u, n), rng.normal(rate, u_rate), np.full(n, 3.0),
        u_level=u, u_rate=u_rate, confidence=0.9,
    )  # fmt: skip
    assert (result.earliest <= 300.0).mean() == pytest.approx(0.9, abs=0.01)
