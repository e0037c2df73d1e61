"""Time to out of tolerance: Kaplan-Meier and Weibull from published sources, and simulation."""

from fractions import Fraction
from math import prod

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.duration.survfunc import SurvfuncRight

from calibration.metrology.interval import as_found_outcomes, recalibration_interval
from calibration.metrology.turnbull import Outcomes, estimate_survival, survival_at
from calibration.metrology.weibull import fit_weibull, in_tolerance, time_to_reliability
from tests.metrology.published import agrees, column, expected

INF = np.inf


def right_censored(time, left):
    time, left = np.asarray(time, float), np.asarray(left, bool)
    return Outcomes(time, np.where(left, time, INF), np.ones(len(time)))


def handbook_kaplan_meier():
    inputs = expected("hb_8_2_1_5")["inputs"]
    gone = inputs["failures"]
    kept = inputs["removed"] + [200] * inputs["removed_at_200"]
    return right_censored(gone + kept, [True] * len(gone) + [False] * len(kept))


def fans():
    hours, status = column("meeker_escobar", "genfan.csv", "hours", "status")
    return right_censored(hours, status == 1)


def wheels():
    hours, cracked, sound = column(
        "meeker_escobar", "turbine.csv", "hundred_hours", "cracked", "not_cracked"
    )
    assert cracked.sum() + sound.sum() == 432
    some = cracked > 0
    return Outcomes(
        np.concatenate([np.zeros(some.sum()), hours]),
        np.concatenate([hours[some], np.full(len(hours), INF)]),
        np.concatenate([cracked[some], sound]),
    )


@pytest.mark.golden
def test_handbook_kaplan_meier():
    source, found = expected("hb_8_2_1_5"), estimate_survival(handbook_kaplan_meier())
    assert found.converged
    for i, (time, factors) in enumerate(source["products"].items()):
        assert found.left[i] == found.right[i] == float(time)
        exact = prod((Fraction(factor) for factor in factors), start=Fraction(1))
        assert found.survival[i] == pytest.approx(float(exact), abs=1e-8)
        assert agrees(found.survival[i], source["survfit"]["survival"][i])
        assert agrees(found.u_survival[i], source["survfit"]["greenwood"][i])
    assert found.right[-1] == INF


@pytest.mark.golden
def test_freireich_6mp():
    time, event = column("freireich_6mp", "freireich_6mp.csv", "time_6mp_weeks", "event_6mp")
    source, found = expected("freireich_6mp"), estimate_survival(right_censored(time, event == 1))
    for i, row in enumerate(source["table"]):
        assert found.right[i] == row["t"]
        assert agrees(found.survival[i], f"{row['S']:.3f}")
        assert agrees(found.u_survival[i], f"{row['greenwood_se']:.3f}")
    assert agrees(found.survival[6], source["survfit"]["S(23)"])
    assert agrees(found.u_survival[6], source["survfit"]["se(23)"])


@pytest.mark.golden
def test_turbine_wheels_isotonic():
    # Current status data: Turnbull's estimate is the isotonic regression of the shares cracked
    found = estimate_survival(wheels())
    assert found.converged
    for time, share in expected("meeker_escobar")["turbine"]["isotonic"]:
        lowest, highest = survival_at(found, np.array([time]))
        assert lowest[0] == pytest.approx(highest[0])
        assert 1.0 - lowest[0] == pytest.approx(float(share), abs=1e-7)


@pytest.mark.golden
def test_handbook_weibull():
    source = expected("hb_8_4_1")
    gone, kept = source["inputs"]["failures_h"], source["inputs"]["censored_at_500h"]
    law = fit_weibull(right_censored(gone + [500.0] * kept, [True] * len(gone) + [False] * kept))
    assert law.converged
    assert agrees(law.shape, source["expected"]["shape"])
    assert law.scale == pytest.approx(float(source["expected"]["scale"]), rel=1e-6)
    data = stats.CensoredData(uncensored=gone, right=[500.0] * kept)
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    assert law.shape == pytest.approx(shape, rel=1e-4)
    assert law.scale == pytest.approx(scale, rel=1e-4)


@pytest.mark.golden
def test_fans_weibull_and_exponential():
    source, law = expected("meeker_escobar")["genfan"], fit_weibull(fans())
    assert agrees(law.shape, source["survreg_shape"])
    assert agrees(law.scale, source["survreg_scale"])
    plain = fit_weibull(fans(), fixed_shape=1.0)
    assert plain.scale == pytest.approx(float(source["exponential_mttf_recomputed"]), rel=1e-10)
    assert plain.scale == pytest.approx(float(source["exponential_mttf_book"]), rel=1e-3)
    # exact: total time over failures, with relative uncertainty 1 / sqrt(failures)
    assert plain.u_scale == pytest.approx(plain.scale / np.sqrt(12), rel=1e-9)
    assert plain.u_shape == 0.0


@pytest.mark.golden
def test_turbine_wheels_weibull():
    source, law = expected("meeker_escobar")["turbine"], fit_weibull(wheels())
    assert agrees(law.shape, source["shape"])
    assert agrees(law.scale, source["scale"])
    assert agrees(law.log_likelihood, source["log_likelihood"])


def test_kaplan_meier_by_statsmodels():
    rng = np.random.default_rng(1)
    time, end = np.ceil(rng.weibull(1.5, 400) * 50), np.ceil(rng.uniform(5, 80, 400))
    seen, left = np.minimum(time, end), time <= end
    ours = estimate_survival(right_censored(seen, left))
    theirs = SurvfuncRight(seen, left.astype(int))
    events = np.array(theirs.n_events) > 0
    k = int(events.sum())
    np.testing.assert_array_equal(ours.right[:k], theirs.surv_times[events])
    np.testing.assert_allclose(ours.survival[:k], theirs.surv_prob[events], atol=2e-7)
    np.testing.assert_allclose(ours.u_survival[:k], theirs.surv_prob_se[events], rtol=1e-4)


@given(
    st.lists(
        st.tuples(st.integers(0, 12), st.integers(0, 6), st.booleans(), st.integers(1, 4)),
        min_size=1,
        max_size=25,
    )
)
def test_turnbull_is_at_the_maximum(rows):
    # certified from outside: no reweighting towards any single time gains likelihood
    lower = np.array([low for low, *_ in rows], float)
    width = np.array([w for _, w, *_ in rows], float)
    upper = np.where(
        [open_ for _, _, open_, _ in rows], INF, lower + np.maximum(width, lower == 0)
    )
    outcomes = Outcomes(lower, upper, np.array([n for *_, n in rows], float))
    found = estimate_survival(outcomes)
    assert found.converged
    assert found.mass.sum() == pytest.approx(1.0)
    assert (np.diff(found.survival) <= 1e-12).all()
    assert np.isfinite(found.u_survival).all()
    exact = lower == upper

    def covers(time):
        return np.where(exact, time == lower, (time > lower) & (time <= upper))

    ends = np.where(np.isfinite(found.right), found.right, 1e9)
    probability = sum(m * covers(t) for m, t in zip(found.mass, ends, strict=True))
    weight = outcomes.weight / outcomes.weight.sum()
    for time in np.arange(0.5, 25, 0.5):
        assert np.sum(weight * covers(time) / probability) <= 1.0 + 1e-6


def test_turnbull_by_a_general_optimiser():
    rng = np.random.default_rng(4)
    true = rng.weibull(2.0, 60) * 800
    low = np.floor(true / 200) * 200
    outcomes = Outcomes(low, np.where(low >= 1000, INF, low + 200 + 50 * (low > 300)), np.ones(60))
    found = estimate_survival(outcomes)
    size = len(found.mass)
    inside = (outcomes.lower[:, None] <= found.left) & (found.right <= outcomes.upper[:, None])

    def minus_log(free):
        mass = np.exp(free - free.max())
        return -np.sum(np.log(inside @ (mass / mass.sum())))

    best = optimize.minimize(minus_log, np.zeros(size), method="BFGS", options={"gtol": 1e-7})
    mass = np.exp(best.x) / np.exp(best.x).sum()
    np.testing.assert_allclose(found.mass, mass, atol=1e-4)
    assert minus_log(np.log(found.mass)) <= best.fun + 1e-7


@pytest.mark.parametrize("kind", ["exact", "interval", "status", "mixed"])
def test_weibull_derivatives_and_maximum_by_a_general_optimiser(kind):
    rng = np.random.default_rng(11)
    time = rng.weibull(1.8, 150) * 700
    look = rng.uniform(100, 1200, 150)
    status = (np.where(time > look, look, 0.0), np.where(time > look, INF, look))
    yearly = (np.floor(time / 300) * 300, np.floor(time / 300) * 300 + 300)
    both = [np.concatenate([a[:75], b[75:]]) for a, b in zip(status, yearly, strict=True)]
    lower, upper = {
        "exact": (time, time),
        "status": status,
        "interval": yearly,
        "mixed": both,
    }[kind]
    law = fit_weibull(Outcomes(lower, upper, np.ones(150)))

    def log_likelihood(place):
        scale, shape = np.exp(place[0]), np.exp(-place[1])
        weibull = stats.weibull_min(shape, scale=scale)
        if kind == "exact":
            return np.sum(weibull.logpdf(time))
        return np.sum(np.log(weibull.sf(lower) - weibull.sf(upper)))

    here = np.array([np.log(law.scale), -np.log(law.shape)])
    assert law.log_likelihood == pytest.approx(log_likelihood(here), rel=1e-10)
    best = optimize.minimize(lambda p: -log_likelihood(p), here + 0.1, method="BFGS")
    np.testing.assert_allclose(here, best.x, atol=2e-5)
    step, second = 1e-3, np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            a, b = step * np.eye(2)[i], step * np.eye(2)[j]
            second[i, j] = (
                log_likelihood(here + a + b)
                - log_likelihood(here + a - b)
                - log_likelihood(here - a + b)
                + log_likelihood(here - a - b)
            ) / (4 * step**2)
    np.testing.assert_allclose(law.covariance, np.linalg.inv(-second), rtol=1e-3)


def inspected_once(rng, count):
    """Sensors whose tolerance lasts by a Weibull law (1.7, 600 d), each looked at once."""
    time, look = rng.weibull(1.7, count) * 600, rng.uniform(60, 900, count)
    return as_found_outcomes(look, time > look)


def test_the_shape_lies_within_its_uncertainty_as_often_as_said():
    rng = np.random.default_rng(12)
    laws = [fit_weibull(inspected_once(rng, 300)) for _ in range(800)]
    off = [np.log(law.shape / 1.7) / np.sqrt(law.covariance[1, 1]) for law in laws]
    assert np.mean(np.abs(off) <= 1.96) == pytest.approx(0.95, abs=0.02)


def test_the_lower_bound_lies_below_the_truth_as_often_as_said():
    rng = np.random.default_rng(13)
    true = 600 * (-np.log(0.9)) ** (1 / 1.7)
    found = [
        recalibration_interval(
            inspected_once(rng, 200), target=0.9, default_days=365, confidence=0.9
        )
        for _ in range(250)
    ]
    assert np.mean([it.lower_days <= true for it in found]) == pytest.approx(0.90, abs=0.045)
    assert np.median([it.days for it in found]) == pytest.approx(true, rel=0.05)
    assert all(it.lower_days <= it.days for it in found)


def test_in_tolerance_and_its_uncertainty():
    law = fit_weibull(fans())
    value, u = in_tolerance(law, np.array([0.0, 3000.0, 8000.0]))
    np.testing.assert_allclose(
        value, stats.weibull_min(law.shape, scale=law.scale).sf([0, 3e3, 8e3])
    )
    assert u[0] == 0.0
    time, u_log = time_to_reliability(law, float(value[2]))
    assert time == pytest.approx(8000.0, rel=1e-12)
    # both say the same: dS = S' dt, dt = t d(ln t)
    slope = value[2] * law.shape / law.scale * (8000 / law.scale) ** (law.shape - 1)
    assert u[2] == pytest.approx(slope * time * u_log, rel=1e-9)
    with pytest.raises(ValueError, match="reliability"):
        time_to_reliability(law, 1.0)


def test_few_data_give_the_default_and_say_so():
    days, good = np.full(12, 365.0), np.arange(12) > 5
    found = recalibration_interval(as_found_outcomes(days, good), target=0.9, default_days=300)
    assert (found.days, found.lower_days, found.basis) == (300.0, 300.0, "default")
    assert "12 as-found outcomes, 6 of them out of tolerance" in found.reason
    assert found.law is None
    assert found.survival is not None
    nothing = recalibration_interval(
        as_found_outcomes(np.array([]), np.array([], bool)), target=0.9, default_days=300
    )
    assert nothing.basis == "default"
    assert nothing.survival is None
    healthy = recalibration_interval(
        as_found_outcomes(np.full(500, 365.0), np.ones(500, bool)), target=0.9, default_days=300
    )
    assert healthy.basis == "default"


def test_one_and_the_same_interval_does_not_tell_the_shape():
    # 40 of 400 out after 365 days: 90 % is reached just there, whatever the law
    found = recalibration_interval(
        as_found_outcomes(np.full(400, 365.0), np.arange(400) >= 40), target=0.9, default_days=365
    )
    assert found.basis == "exponential"
    assert found.estimate_days == pytest.approx(365.0, rel=1e-9)
    # 4 of 400 out: the exponential law would wait ten years; nobody looked that far
    calm = recalibration_interval(
        as_found_outcomes(np.full(400, 365.0), np.arange(400) >= 6), target=0.9, default_days=365
    )
    assert calm.extrapolated
    assert calm.limited
    assert calm.days == 365.0


def test_all_out_at_once_is_no_law():
    found = fit_weibull(as_found_outcomes(np.full(30, 365.0), np.zeros(30, bool)))
    assert not found.converged
    assert np.isfinite([found.shape, found.scale, found.u_shape, found.u_scale]).all()


def test_nobody_out_is_no_law():
    found = fit_weibull(as_found_outcomes(np.full(30, 365.0), np.ones(30, bool)))
    assert not found.converged


def test_weights_count_as_repeats():
    once, twice = fans(), fans()
    doubled = Outcomes(once.lower, once.upper, 2 * once.weight)
    repeated = Outcomes(*(np.tile(v, 2) for v in (twice.lower, twice.upper, twice.weight)))
    assert fit_weibull(doubled).shape == pytest.approx(fit_weibull(repeated).shape, rel=1e-9)
    np.testing.assert_allclose(
        estimate_survival(doubled).survival, estimate_survival(repeated).survival, atol=1e-6
    )


def test_days_and_hours_give_the_same_interval():
    outcomes = fans()
    hours = recalibration_interval(outcomes, target=0.9, default_days=5000, longest_days=1e6)
    days = recalibration_interval(
        Outcomes(outcomes.lower / 24, outcomes.upper / 24, outcomes.weight),
        target=0.9,
        default_days=5000 / 24,
        longest_days=1e6,
    )
    assert hours.basis == "weibull"
    assert hours.days / 24 == pytest.approx(days.days, rel=1e-8)
    assert hours.lower_days / 24 == pytest.approx(days.lower_days, rel=1e-6)


@pytest.mark.parametrize(
    ("lower", "upper", "weight", "says"),
    [
        ([], [], [], "at least one"),
        ([5.0], [4.0], [1.0], "upper"),
        ([-1.0], [4.0], [1.0], "lower"),
        ([np.nan], [4.0], [1.0], "lower"),
        ([0.0], [0.0], [1.0], "upper"),
        ([1.0], [2.0], [0.0], "weight"),
    ],
)
def test_what_an_estimate_refuses(lower, upper, weight, says):
    with pytest.raises(ValueError, match=says):
        estimate_survival(Outcomes(np.array(lower), np.array(upper), np.array(weight)))


def test_what_outcomes_refuse():
    with pytest.raises(ValueError, match="days"):
        as_found_outcomes(np.array([0.0]), np.array([True]))
    with pytest.raises(ValueError, match="last_good_days"):
        as_found_outcomes(np.array([100.0]), np.array([False]), np.array([100.0]))
    some = as_found_outcomes(np.array([100.0]), np.array([False]), np.array([40.0]))
    assert (some.lower[0], some.upper[0]) == (40.0, 100.0)
    for bad in ({"target": 1.0}, {"confidence": 0.0}):
        with pytest.raises(ValueError, match="between 0 and 1"):
            recalibration_interval(some, **({"target": 0.9, "default_days": 365.0} | bad))
    with pytest.raises(ValueError, match="order"):
        recalibration_interval(some, target=0.9, default_days=365.0, longest_days=100.0)
