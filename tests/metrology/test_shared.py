"""Common changes: against brute-force integration, a mean, and simulation."""

from dataclasses import fields

import numpy as np
import pytest
from scipy.stats import norm

from calibration.metrology.clusters import SILENT
from calibration.metrology.expectation import YEAR
from calibration.metrology.fleetnoise import default_noise
from calibration.metrology.mixtures import CELLS
from calibration.metrology.series import SAME_REFERENCE, Series
from calibration.metrology.shared import common_change, expect_together
from tests.bench.fleets import World, simulate


def together(surprise, sd=0.005, allowed=0.02, **more):
    n = len(surprise)
    return common_change(
        np.asarray(surprise, float), np.full(n, sd**2), np.zeros(n, dtype=np.int64),
        np.full(n, allowed**2), **more,
    )  # fmt: skip


@pytest.mark.parametrize(
    "surprise", [[0.012], [0.03, 0.01], [0.02, 0.021, 0.15], [0.01, 0.012, 0.008, -0.09, 0.011]]
)
def test_agrees_with_brute_force_integration(surprise):
    grid = np.linspace(-0.4, 0.4, 400_001)
    own = [
        np.log(sum(w * norm.pdf(e, grid, np.hypot(0.005, s)) for s, w in CELLS)) for e in surprise
    ]
    wide = 0.02 if len(surprise) >= 4 else 0.0
    prior = np.log(
        (1 - wide) * norm.pdf(grid, 0, 0.02) + wide * norm.pdf(grid, 0, np.hypot(0.02, 0.06))
    )

    def moments(log):
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        mean = (weight * grid).sum()
        return mean, np.sqrt((weight * (grid - mean) ** 2).sum())

    result = together(surprise)
    mean, sd = moments(prior + sum(own))
    assert result.change == pytest.approx(np.full(len(surprise), mean), abs=0.03 * sd)
    assert result.u_change == pytest.approx(np.full(len(surprise), sd), rel=0.03)
    for i in range(len(surprise)):
        mean, sd = moments(prior + sum(own) - own[i])
        assert result.others.change[i] == pytest.approx(mean, abs=0.06 * sd)
        assert np.sqrt(result.others.variance[i]) == pytest.approx(sd, rel=0.08)


def test_drifted_siblings_do_not_pull_it_as_they_pull_a_mean():
    surprise = np.array([0.020, 0.018, 0.023, 0.019, 0.021, 0.022, -0.07, -0.09])
    result = together(surprise)
    assert result.change[0] == pytest.approx(0.0205, abs=0.003)
    assert abs(surprise.mean() - 0.0205) > 0.02
    assert (result.members == 8).all()


def test_one_alone_is_told_nothing():
    result = together([0.08])
    assert (result.others.change[0], result.others.variance[0]) == (0.0, 0.02**2)


def test_a_member_with_nothing_to_say_is_told_what_the_others_say():
    n = 6
    variance = np.full(n, 0.005**2)
    variance[0] = SILENT
    surprise = np.array([0.0, 0.02, 0.021, 0.019, 0.02, 0.018])
    result = common_change(surprise, variance, np.zeros(n, np.int64), np.full(n, 0.02**2))
    assert result.members[0] == 5
    assert result.others.change[0] == pytest.approx(0.0195, abs=0.002)


def test_a_reference_that_moved_is_told_from_cells_that_drifted():
    moved = together(0.05 + 0.004 * np.array([-1, 0.5, 0, 1, -0.5, 0.2]), allowed=SAME_REFERENCE)
    drifted = together([0.0, 0.004, 0.05, -0.003, 0.002, 0.001], allowed=SAME_REFERENCE)
    assert moved.moved[0] > 0.95
    assert moved.change[0] == pytest.approx(0.05, abs=0.005)
    assert drifted.moved[0] < 0.05
    assert abs(drifted.change[0]) < 0.002


def test_intervals_cover_with_drifted_siblings():
    rng = np.random.default_rng(1)
    for n in (2, 3, 5, 12):
        groups = 3000
        cluster = np.repeat(np.arange(groups), n)
        true = rng.normal(0, 0.02, groups)
        surprise = true[cluster] + rng.normal(0, 0.007, groups * n)
        odd = rng.random(groups * n) < 0.1
        surprise += np.where(odd, rng.normal(0, 0.06, groups * n), 0)
        result = common_change(
            surprise, np.full(groups * n, 0.007**2), cluster, np.full(groups * n, 0.02**2)
        )
        z = (result.others.change - true[cluster]) / np.sqrt(result.others.variance)
        assert 0.93 <= (np.abs(z) <= 1.96).mean() <= 0.985


def test_order_and_company_change_no_bit():
    rng = np.random.default_rng(2)
    size = rng.integers(1, 9, 300)
    cluster = np.repeat(np.arange(300), size)
    surprise = rng.normal(0, 0.03, len(cluster))
    variance = rng.uniform(0.003, 0.01, len(cluster)) ** 2
    allowed = np.full(len(cluster), 0.01**2)
    batch = common_change(surprise, variance, cluster, allowed)
    for number in range(0, 300, 17):
        rows = np.flatnonzero(cluster == number)
        alone = common_change(surprise[rows], variance[rows], cluster[rows], allowed[rows])
        assert (alone.change == batch.change[rows]).all()
        assert (alone.others.change == batch.others.change[rows]).all()
        assert (alone.others.variance == batch.others.variance[rows]).all()


def visits(changes: np.ndarray, references: list[int], pct: float = 2.0):
    """Return ten sensors that saw these scales of their references, season by season."""
    rng = np.random.default_rng(3)
    n, k = 10, len(references)
    slope = 3.5 * (1 + changes) * (1 + rng.normal(0, 0.003, (n, k)))
    flat = lambda v: np.broadcast_to(v, (n, k)).ravel().copy()  # noqa: E731 - short
    series = Series(
        np.repeat(np.arange(n), k), flat(YEAR * np.arange(k)), slope.ravel(), flat(500.0),
        flat(0.003 * 3.5), flat(1.0), flat(0.0), flat(np.array(references)), flat(pct),
        np.full(n, 1000.0),
    )  # fmt: skip
    return series, flat(np.arange(k)).astype(np.int64)


def test_a_change_of_reference_is_taken_off_and_stays_off():
    series, group = visits(np.array([0, 0, 0, 0.03, 0.03, 0.03]), [1, 1, 1, 2, 2, 2])
    result, common = expect_together(series, group, default_noise(10))
    change = result.change_slope_pct.reshape(10, 6)
    assert np.abs(change[:, 3:]).max() < 1.5
    assert common.change.reshape(10, 6)[0, 3] == pytest.approx(0.03, abs=0.004)
    assert np.abs(common.change.reshape(10, 6)[0, 4:]).max() < 0.003


def test_one_bad_day_of_one_reference_is_seen_and_does_not_last():
    series, group = visits(np.array([0, 0, 0, 0.05, 0, 0]), [1] * 6, pct=0.5)
    result, common = expect_together(series, group, default_noise(10))
    moved = common.moved.reshape(10, 6)[0]
    assert moved[3] > 0.9
    assert np.abs(result.change_slope_pct.reshape(10, 6)).max() < 1.5


def test_false_flags_and_detection_when_the_reference_changed():
    world = World(dealers=6, changed=True)
    fleet = simulate(np.random.default_rng(5), world)
    noise = default_noise(len(fleet.series.rated_load))
    result, common = expect_together(fleet.series, fleet.group, noise, wide=fleet.wide)
    rows = fleet.last
    error = result.change_slope_pct[rows] / 100 - fleet.slope_change
    assert (np.abs(error) <= 0.0196 * result.u_change_slope_pct[rows]).mean() > 0.93
    beyond = np.abs(result.change_slope_pct[rows]) > 100 * world.slope_tolerance
    slope_drift = fleet.drifted & (np.abs(fleet.slope_change) > world.slope_tolerance)
    assert beyond[slope_drift].mean() >= 0.99
    assert beyond[~fleet.drifted].mean() <= 0.01
    z = (common.change[rows] - fleet.common) / common.u_change[rows]
    assert np.abs(z).max() < 5


def test_everything_is_finite_and_bad_input_is_named():
    fleet = simulate(np.random.default_rng(6), World(dealers=1, customers=3, changed=True))
    noise = default_noise(len(fleet.series.rated_load))
    result, common = expect_together(fleet.series, -np.ones_like(fleet.group), noise)
    for item in (*(getattr(result, f.name) for f in fields(result)), common.u_change):
        assert np.isfinite(item).all()
    with pytest.raises(ValueError, match="group"):
        expect_together(fleet.series, fleet.group[:-1], noise)
    with pytest.raises(ValueError, match="wide"):
        expect_together(fleet.series, fleet.group, noise, wide=fleet.group[:-1])
