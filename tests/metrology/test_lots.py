"""Lots: exact intervals from published tables, Fisher's test and false discoveries by oracles."""

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from calibration.metrology.lots import (
    adjust_for_many,
    compare_lots,
    exact_interval,
    upper_tail,
)
from tests.metrology.published import agrees, expected


def one(*values):
    return [np.array([value]) for value in values]


def published_intervals():
    source = expected("binomial_intervals")
    return [source["hb_7_2_4"], *source["newcombe_1998"], *source["binom_test"]]


@pytest.mark.golden
@pytest.mark.parametrize("row", published_intervals(), ids=lambda r: f"{r['k']} of {r['n']}")
def test_exact_interval(row):
    lower, upper = exact_interval(*one(row["k"], row["n"]), row["level"])
    assert agrees(lower[0], row["exact"][0])
    assert agrees(upper[0], row["exact"][1])


def test_exact_interval_by_statsmodels_and_scipy():
    rng = np.random.default_rng(1)
    total = rng.integers(1, 500, 300)
    count = rng.binomial(total, rng.uniform(0, 1, 300))
    lower, upper = exact_interval(count, total)
    low, high = proportion_confint(count, total, method="beta")
    np.testing.assert_allclose(lower, low, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(upper, high, rtol=1e-9)
    for i in range(0, 300, 30):
        theirs = stats.binomtest(int(count[i]), int(total[i])).proportion_ci()
        assert lower[i] == pytest.approx(theirs.low, rel=1e-6, abs=1e-9)
        assert upper[i] == pytest.approx(theirs.high, rel=1e-6)


def test_exact_interval_covers_at_least_as_said():
    # exactly, over all outcomes of 25 trials
    k, n = np.arange(26), np.full(26, 25)
    lower, upper = exact_interval(k, n)
    for p in np.linspace(0.01, 0.99, 57):
        covered = stats.binom.pmf(k, 25, p)[(lower <= p) & (p <= upper)].sum()
        assert covered >= 0.95 - 1e-12


@given(st.data())
def test_tail_is_the_exact_fraction(data):
    population = data.draw(st.integers(1, 80))
    drawn = data.draw(st.integers(0, population))
    marked = data.draw(st.integers(0, population))
    low, high = max(0, drawn + marked - population), min(drawn, marked)
    count = data.draw(st.integers(low, high))
    ways = sum(
        comb(marked, k) * comb(population - marked, drawn - k) for k in range(count, high + 1)
    )
    exact = Fraction(ways, comb(population, drawn))
    ours = upper_tail(*one(count, drawn, marked, population))[0]
    assert ours == pytest.approx(float(exact), rel=1e-9, abs=1e-13)


def test_tail_by_scipys_fisher_test_and_hypergeometric():
    rng = np.random.default_rng(2)
    total = rng.integers(1, 400, 200)
    rest = rng.integers(1, 4000, 200)
    beyond = rng.binomial(total, 0.05)
    rest_beyond = rng.binomial(rest, 0.03)
    ours = upper_tail(beyond, total, beyond + rest_beyond, total + rest)
    theirs = stats.hypergeom.sf(beyond - 1, total + rest, beyond + rest_beyond, total)
    np.testing.assert_allclose(ours, theirs, rtol=1e-8, atol=1e-12)
    for i in range(0, 200, 20):
        table = [
            [beyond[i], total[i] - beyond[i]],
            [rest_beyond[i], rest[i] - rest_beyond[i]],
        ]
        fisher = stats.fisher_exact(table, alternative="greater").pvalue
        assert ours[i] == pytest.approx(fisher, rel=1e-7)


def test_small_tails_keep_their_digits():
    ours = upper_tail(*one(60, 100, 1000, 1_000_000))[0]
    theirs = stats.hypergeom.sf(59, 1_000_000, 1000, 100)
    assert ours == pytest.approx(theirs, rel=1e-6)
    assert 0 < ours < 1e-80


def test_false_discovery_adjustment_by_statsmodels_and_scipy():
    rng = np.random.default_rng(3)
    p = np.concatenate([rng.uniform(0, 1, 300), rng.uniform(0, 1e-4, 20), [0.5, 0.5, 1.0, 0.0]])
    ours = adjust_for_many(p)
    np.testing.assert_allclose(ours, multipletests(p, method="fdr_bh")[1], rtol=1e-12)
    np.testing.assert_allclose(ours, stats.false_discovery_control(p), rtol=1e-12)
    assert adjust_for_many(np.array([])).shape == (0,)


def test_benjamini_and_hochbergs_own_example():
    # Benjamini and Hochberg (1995), 4: fifteen p values, of which four are rejected at 0.05
    # (values from memory of the paper)
    p = np.array(
        [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240,
         0.4262, 0.5719, 0.6528, 0.7590, 1.0000]
    )  # fmt: skip
    assert (adjust_for_many(p) <= 0.05).sum() == 4


def test_a_bad_lot_is_found_and_its_siblings_are_not():
    model = np.array([1, 1, 1, 1, 2, 2])
    total = np.array([200, 220, 180, 60, 500, 480])
    beyond = np.array([6, 7, 5, 15, 20, 21])
    found = compare_lots(beyond, total, model)
    assert found.worse.tolist() == [False, False, False, True, False, False]
    assert found.siblings_share[3] == pytest.approx(18 / 600)
    assert found.share[3] == 0.25
    assert found.lower[3] < 0.25 < found.upper[3]


def test_a_lot_is_compared_with_its_own_model_only():
    # every lot of model 2 is bad: as a lot none differs from its siblings
    found = compare_lots(
        np.array([3, 4, 50, 52]), np.array([100, 100, 100, 100]), np.array([1, 1, 2, 2])
    )
    assert not found.worse.any()


def test_without_siblings_or_sensors_nothing_is_tested():
    found = compare_lots(np.array([5, 0, 3]), np.array([9, 0, 40]), np.array([7, 8, 8]))
    assert found.testable.tolist() == [False, False, False]
    assert (found.q == 1.0).all()
    assert (found.lower[1], found.upper[1]) == (0.0, 1.0)
    assert np.isfinite(found.share).all()
    empty = compare_lots(*(np.array([], dtype=np.int64),) * 3)
    assert len(empty.p) == 0


def test_false_discoveries_stay_below_the_rate_said():
    rng = np.random.default_rng(4)
    shares, found_share = [], []
    for _ in range(300):
        model = np.repeat(np.arange(20), 10)
        total = rng.integers(40, 200, 200)
        bad = rng.random(200) < 0.05
        beyond = rng.binomial(total, np.where(bad, 0.30, 0.04))
        called = compare_lots(beyond, total, model).worse
        shares.append((called & ~bad).sum() / max(called.sum(), 1))
        found_share.append((called & bad).sum() / max(bad.sum(), 1))
    assert np.mean(shares) <= 0.05
    assert np.mean(found_share) > 0.9


def test_one_model_alone_gives_the_bits_of_the_batch():
    rng = np.random.default_rng(5)
    model = np.repeat(np.arange(30), 8)
    total = rng.integers(0, 300, 240)
    beyond = rng.binomial(total, 0.1)
    many = compare_lots(beyond, total, model)
    for m in range(30):
        own = model == m
        alone = compare_lots(beyond[own], total[own], model[own])
        for name in ("p", "share", "lower", "upper", "siblings_share"):
            assert (getattr(alone, name) == getattr(many, name)[own]).all()


def test_fifty_thousand_lots_in_blocks():
    rng = np.random.default_rng(6)
    total = rng.integers(50, 500, 50_000)
    beyond = rng.binomial(total, 0.2)
    found = compare_lots(beyond, total, np.repeat(np.arange(500), 100))
    i = int(found.p.argmin())
    own = np.arange(50_000) // 100 == i // 100
    theirs = stats.hypergeom.sf(beyond[i] - 1, total[own].sum(), beyond[own].sum(), total[i])
    assert found.p[i] == pytest.approx(theirs, rel=1e-7)


@pytest.mark.parametrize(
    ("beyond", "total", "kwargs", "says"),
    [
        ([3], [2], {}, "count"),
        ([-1], [2], {}, "count"),
        ([1], [2], {"level": 95.0}, "level"),
        ([1], [2], {"false_discovery_rate": 0.0}, "false_discovery_rate"),
        ([1], [2, 3], {}, "length"),
    ],
)
def test_what_is_refused(beyond, total, kwargs, says):
    with pytest.raises(ValueError, match=says):
        compare_lots(np.array(beyond), np.array(total), np.zeros(len(total), int), **kwargs)
