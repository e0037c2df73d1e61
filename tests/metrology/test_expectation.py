"""The level filter against statsmodels, closed forms, and simulation."""

import csv
import json
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.metrology.belief import probability_beyond_tolerance
from calibration.metrology.conformity import p_out
from calibration.metrology.expectation import YEAR, expect
from calibration.metrology.fleetnoise import (
    DEFAULT,
    default_noise,
    model_noise,
    sibling_prior,
    tag_prior,
)
from calibration.metrology.series import Noise, Prior, Series, Shared
from tests.bench.fleets import World, simulate

NILE = Path(__file__).parents[2] / "fixtures" / "golden" / "durbin_koopman_nile"
PLAIN = ((0.0, 0.0, 1.0),)


def noise(count: int, walk=1e-5, extra=0.0, walk_zero=1e-5) -> Noise:
    return Noise(*(np.full(count, v) for v in (walk, walk_zero, extra, extra)))


def series_of(slope, u_slope, *, day=None, offset=None, u_offset=1.0, covariance=0.0, **more):
    """Return segments of equal length, shape (N, k), rated load 1000 N."""
    slope = np.atleast_2d(np.asarray(slope, float))
    n, k = slope.shape
    flat = lambda v: np.broadcast_to(np.asarray(v, float), (n, k)).ravel().copy()  # noqa: E731 - short
    given = {
        "reference": np.zeros(n * k, dtype=np.int64), "reference_pct": np.zeros(n * k),
        "rated_load": np.full(n, 1000.0), **more,
    }  # fmt: skip
    return Series(
        segment=np.repeat(np.arange(n), k),
        day=flat(YEAR * np.arange(k) if day is None else day),
        slope=slope.ravel(),
        offset=flat(500.0 if offset is None else offset),
        u_slope=flat(u_slope),
        u_offset=flat(u_offset),
        covariance=flat(covariance),
        **given,
    )


def unshared(series: Series) -> Shared:
    return Shared(np.zeros(series.size), np.zeros(series.size))


def statsmodels_level(y: np.ndarray, variance: np.ndarray, q: float):
    model = sm.tsa.statespace.MLEModel(y, k_states=1, k_posdef=1)
    model["design", 0, 0] = model["transition", 0, 0] = model["selection", 0, 0] = 1
    model["state_cov", 0, 0] = q
    model.ssm["obs_cov"] = np.broadcast_to(variance, y.shape)[None, None, :]
    model.ssm.initialize_diffuse()
    return model.ssm.filter()


@pytest.mark.golden
def test_nile_by_durbin_and_koopman():
    with (NILE / "data.csv").open() as file:
        flow = np.array([float(row["volume"]) for row in csv.DictReader(file)])
    expected = json.loads((NILE / "expected.json").read_text())
    irregular = float(expected["variance_of_the_irregular"])
    level = float(expected["variance_of_the_level"])
    model = sm.tsa.UnobservedComponents(flow, "local level", use_exact_diffuse=True)
    fitted = model.fit(disp=False, start_params=[1e4, 1e3])
    assert fitted.params[0] == pytest.approx(irregular, rel=1e-3)
    assert fitted.params[1] == pytest.approx(level, rel=5e-3)

    series = series_of(flow, np.sqrt(irregular))
    walk = level / flow[0] ** 2
    result = expect(series, noise(1, walk), shared=unshared(series), jumps=PLAIN)
    oracle = statsmodels_level(flow, np.array(irregular), level)
    assert result.slope[1:] == pytest.approx(oracle.forecasts[0, 1:], rel=1e-10)
    assert result.var_slope[1:] + irregular == pytest.approx(
        oracle.forecasts_error_cov[0, 0, 1:], rel=1e-8
    )
    # Section 2.11: the steady state solves P^2 - P level - level irregular = 0.
    steady = 0.5 * (level + np.sqrt(level**2 + 4 * level * irregular))
    assert result.var_slope[-1] == pytest.approx(steady, rel=1e-6)


def test_agrees_with_statsmodels_for_slope_and_zero_together():
    rng = np.random.default_rng(1)
    k = 9
    slope = 3.5 * (1 + np.cumsum(rng.normal(0, 0.01, k)))
    offset = 500 + np.cumsum(rng.normal(0, 20, k))
    u_slope, u_offset, cov = 0.02, 15.0, -0.15
    day = np.cumsum(rng.integers(100, 500, k)).astype(float)
    series = series_of(slope, u_slope, day=day, offset=offset, u_offset=u_offset, covariance=cov)
    result = expect(series, noise(1), shared=unshared(series), jumps=PLAIN)

    scale = slope[0] * 1000.0
    y = np.stack([slope / slope[0] - 1, (offset - offset[0]) / scale])
    seen = np.array(
        [
            [(u_slope / slope[0]) ** 2, cov / slope[0] / scale],
            [cov / slope[0] / scale, (u_offset / scale) ** 2],
        ]
    )
    model = sm.tsa.statespace.MLEModel(y.T, k_states=2, k_posdef=2)
    for name in ("design", "transition", "selection"):
        model[name] = np.eye(2)
    model["obs_cov"] = seen
    years = np.diff(day) / YEAR
    model.ssm["state_cov"] = np.stack(
        [np.diag([1e-5 * t, 1e-5 * t]) for t in [*years, 1.0]], axis=-1
    )
    model.ssm.initialize_diffuse()
    oracle = model.ssm.filter()
    assert result.slope[2:] == pytest.approx(slope[0] * (1 + oracle.forecasts[0, 2:]), rel=1e-9)
    assert result.offset[2:] == pytest.approx(offset[0] + scale * oracle.forecasts[1, 2:])
    predicted = oracle.predicted_state_cov[:, :, 2:k]
    assert result.var_slope[2:] == pytest.approx(slope[0] ** 2 * predicted[0, 0], rel=1e-6)
    assert result.covariance[2:] == pytest.approx(slope[0] * scale * predicted[0, 1], rel=1e-6)
    assert result.var_offset[2:] == pytest.approx(scale**2 * predicted[1, 1], rel=1e-6)
    assert result.log_likelihood[2:] == pytest.approx(oracle.llf_obs[2:], rel=1e-6)


def test_two_calibrations_are_the_pairwise_comparison():
    series = series_of([3.5, 3.6], [0.01, 0.02], offset=[500.0, 510.0], u_offset=[3.0, 4.0])
    result = expect(series, noise(1), shared=unshared(series))
    assert result.known.tolist() == [False, True]
    assert result.change_slope_pct[1] == pytest.approx(100 * (3.6 / 3.5 - 1))
    relative = np.hypot(0.02 / 3.6, 0.01 / 3.5)
    assert result.u_change_slope_pct[1] == pytest.approx(100 * 3.6 / 3.5 * relative)
    assert result.change_offset[1] == pytest.approx(10 / 3.5)
    shift = 10 / 3.5
    assert result.u_change_offset[1] == pytest.approx(np.sqrt(25.0 + (shift * 0.01) ** 2) / 3.5)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.1, 10), st.floats(-1000, 1000))
def test_scale_of_readings_and_a_constant_do_not_matter(seed, factor, constant):
    rng = np.random.default_rng(seed)
    slope, offset = 3.5 + rng.normal(0, 0.05, (1, 5)), 500 + rng.normal(0, 20, (1, 5))
    plain = series_of(slope, 0.02, offset=offset, u_offset=9.0)
    other = series_of(
        factor * slope, factor * 0.02, offset=factor * offset + constant, u_offset=factor * 9.0
    )
    first, second = (expect(s, noise(1)) for s in (plain, other))
    for name in ("change_slope_pct", "u_change_slope_pct", "change_offset", "u_change_offset"):
        assert getattr(second, name) == pytest.approx(getattr(first, name), rel=1e-6, abs=1e-6)


def test_variances_stay_positive_and_finite_whatever_happens():
    rng = np.random.default_rng(2)
    slope = 3.5 * np.exp(rng.normal(0, 1.0, (500, 8))) * rng.choice([1, 1, 1, -1], (500, 8))
    series = series_of(slope, 0.001, offset=rng.normal(0, 1e4, (500, 8)), u_offset=0.01,
                       covariance=-9e-6)  # fmt: skip
    result = expect(series, noise(500))
    for field in fields(result):
        assert np.isfinite(getattr(result, field.name)).all(), field.name
    assert (result.var_slope >= 0).all()
    assert (result.var_offset * result.var_slope >= result.covariance**2 * (1 - 1e-9)).all()


def test_one_segment_gives_the_bits_of_the_batch():
    fleet = simulate(np.random.default_rng(3), World(dealers=2))
    series = fleet.series
    batch = expect(series, default_noise(len(series.rated_load)))
    for segment in range(0, len(series.rated_load), 7):
        alone = expect(series.take(np.array([segment])), default_noise(1))
        rows = np.flatnonzero(series.segment == segment)
        for field in fields(alone):
            assert (getattr(alone, field.name) == getattr(batch, field.name)[rows]).all()


def test_after_a_jump_it_follows_at_once_and_after_a_noisy_season_it_does_not():
    calm = [3.500, 3.502, 3.499, 3.501]
    jumped = expect(series_of([*calm, 3.15, 3.151], 0.01), noise(1))
    assert jumped.jump[4] > 0.9
    assert abs(jumped.change_slope_pct[5]) < 0.5
    noisy = expect(series_of([*calm, 3.53, 3.501], 0.01), noise(1, walk=1e-6))
    assert abs(noisy.slope[5] - 3.505) < 0.01


def test_nothing_is_learnt_from_a_calibration_that_is_not_trusted():
    slope = [3.5, 3.501, 3.1, 3.502]
    trusted = np.array([True, True, False, True])
    result = expect(series_of(slope, 0.01, trusted=trusted), noise(1))
    without = expect(series_of([3.5, 3.501, 3.502], 0.01, day=[0.0, YEAR, 3 * YEAR]), noise(1))
    assert result.change_slope_pct[2] < -10
    assert result.change_slope_pct[3] == pytest.approx(without.change_slope_pct[2], rel=1e-9)


def test_two_on_one_day_and_a_prior_for_the_first():
    series = series_of([[3.5, 3.5]], 0.01, day=[[10.0, 10.0]])
    prior = Prior(np.array([3.6]), np.array([520.0]), np.array([0.05**2]), np.array([30.0**2]))
    result = expect(series, noise(1), prior=prior)
    assert result.known.all()
    assert result.slope[0] == pytest.approx(3.6)
    assert result.var_slope[0] == pytest.approx(0.05**2)
    assert np.isfinite(result.u_change_slope_pct).all()


@pytest.fixture(scope="module")
def fleet():
    return simulate(np.random.default_rng(4), World(dealers=8))


@pytest.fixture(scope="module")
def learnt(fleet):
    return model_noise(fleet.series, np.zeros(len(fleet.series.rated_load), dtype=np.int64), 2)


def test_noise_is_learnt_from_the_fleet(learnt):
    world = World()
    assert learnt.estimated.tolist() == [True, False]
    assert np.sqrt(learnt.walk_slope[0]) == pytest.approx(world.walk_slope, rel=0.25)
    assert np.sqrt(learnt.walk_zero[0]) == pytest.approx(world.walk_zero, rel=0.25)
    assert np.sqrt(learnt.extra_slope[0]) < 2.0 * world.extra_slope
    assert np.sqrt(learnt.walk_slope[1]) == pytest.approx(DEFAULT[0])  # no data: the default


def test_stated_intervals_cover(fleet, learnt):
    count = len(fleet.series.rated_load)
    result = expect(
        fleet.series, learnt.of(np.zeros(count, dtype=np.int64)), shared=unshared(fleet.series)
    )
    rows = fleet.last
    z = (result.change_slope_pct[rows] / 100 - fleet.slope_change) / (
        result.u_change_slope_pct[rows] / 100
    )
    assert (np.abs(z) <= 1.96).mean() == pytest.approx(0.95, abs=0.015)
    z = (result.change_offset[rows] / fleet.series.rated_load - fleet.zero_change) / (
        result.u_change_offset[rows] / fleet.series.rated_load
    )
    assert (np.abs(z) <= 1.96).mean() == pytest.approx(0.95, abs=0.015)


def test_history_beats_two_seasons(fleet, learnt):
    count = len(fleet.series.rated_load)
    result = expect(fleet.series, learnt.of(np.zeros(count, dtype=np.int64)))
    pairwise = fleet.series.slope[fleet.last] / fleet.series.slope[fleet.last - 1] - 1
    by_history = result.change_slope_pct[fleet.last] / 100
    assert np.std(by_history - fleet.slope_change) < 0.92 * np.std(pairwise - fleet.slope_change)


def test_priors_from_siblings_and_tags():
    slope = np.array([[3.4], [3.5], [3.6], [3.5], [9.0], [3.5]])
    series = series_of(slope, 0.01, offset=np.full((6, 1), 500.0))
    siblings = sibling_prior(series, np.array([1, 1, 1, 1, 1, 2]))
    assert siblings.slope[:5] == pytest.approx(np.full(5, 3.5))
    assert np.isnan(siblings.slope[5])  # one sibling says nothing
    assert np.sqrt(siblings.var_slope[0]) == pytest.approx(1.4826 * 0.1)
    tag = np.array([3.45, np.nan, np.nan, np.nan, np.nan, 3.4])
    prior = tag_prior(tag, tag * 0 + 510.0, series.rated_load, siblings)
    assert prior.slope[[0, 1, 5]] == pytest.approx([3.45, 3.5, 3.4])
    result = expect(series, noise(6), prior=prior)
    assert result.known.all()
    assert result.change_slope_pct[4] > 100


def test_belief_without_a_prior_worth_the_name_is_p_out():
    change, u, limit = np.array([2.9, -3.4]), np.array([0.5, 0.7]), np.array([3.0, 3.0])
    wide = probability_beyond_tolerance(change, u, np.full(2, 1e8), limit, ((0.0, 1.0),))
    assert wide == pytest.approx(p_out(change, u, limit), abs=1e-4)
    sound = probability_beyond_tolerance(change, u, np.full(2, 0.25), limit, ((0.0, 1.0),))
    assert (sound < wide).all()


def test_belief_is_right_as_often_as_it_says():
    rng = np.random.default_rng(5)
    n = 200_000
    true = rng.normal(0, 0.5, n) + np.where(rng.random(n) < 0.1, rng.normal(0, 5.0, n), 0)
    seen = true + rng.normal(0, 0.7, n)
    p = probability_beyond_tolerance(
        seen, np.full(n, 0.7), np.full(n, 0.25), np.full(n, 3.0), ((0.0, 0.9), (5.0, 0.1))
    )
    for low, high in ((0.1, 0.3), (0.3, 0.6), (0.6, 0.9), (0.9, 1.0)):
        inside = (p > low) & (p <= high)
        assert (np.abs(true[inside]) > 3).mean() == pytest.approx(p[inside].mean(), abs=0.03)


@pytest.mark.parametrize(
    ("change", "names"),
    [
        ({"slope": np.array([0.0, 3.5])}, "slope"),
        ({"day": np.array([5.0, 4.0])}, "day"),
        ({"segment": np.array([1, 1])}, "rated_load"),
        ({"segment": np.array([0, 2]), "rated_load": np.ones(3)}, "segment"),
        ({"u_slope": np.array([0.1, np.nan])}, "u_slope"),
        ({"offset": np.array([0.1])}, "offset"),
        ({"rated_load": np.array([0.0])}, "rated_load"),
        ({"trusted": np.array([True])}, "trusted"),
    ],
)
def test_bad_input_names_the_argument(change, names):
    with pytest.raises(ValueError, match=names):
        replace(series_of([3.5, 3.5], 0.01), **change)
