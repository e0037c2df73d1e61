"""Conformity, guard bands and E_n against JCGM 106, ILAC-G8 and ISO 13528."""

import numpy as np
import pytest
from scipy import stats

from calibration.metrology.conformity import en_number, p_out, probability_beyond
from tests.metrology.published import agrees, expected

pytestmark = pytest.mark.golden


def beyond(y, u, lower=-np.inf, upper=np.inf):
    return float(probability_beyond(*(np.array([v], float) for v in (y, u, lower, upper)))[0])


@pytest.mark.parametrize("example", expected("jcgm106")["examples"], ids=lambda e: e["name"])
def test_jcgm106_conformance_probability(example):
    # JCGM 106:2012, 7.3 and 7.4 (from memory, recomputed)
    lower, upper = example.get("T_L", -np.inf), example.get("T_U", np.inf)
    p_c = 1.0 - beyond(example["y"], example["u"], lower, upper)
    printed = example["p_c"].split()
    assert agrees(p_c, printed[0])
    if len(printed) > 1:
        assert agrees(p_c, printed[1].strip("()"))
    normal = stats.norm(example["y"], example["u"])
    assert p_c == pytest.approx(normal.cdf(upper) - normal.cdf(lower), rel=1e-13)


def test_jcgm106_guard_band_of_one_expanded_uncertainty():
    # clause 8 (from memory): acceptance limit = tolerance limit - U, U = 2 u, leaves p_c >= 97.7 %
    assert 1.0 - beyond(10.0 - 2 * 0.7, 0.7, upper=10.0) == pytest.approx(0.977, abs=5e-4)
    # simple acceptance leaves 50 % at the limit
    assert beyond(10.0, 0.7, upper=10.0) == 0.5


@pytest.mark.parametrize("row", expected("ilac_g8")["rows"], ids=lambda r: r["rule"])
def test_ilac_g8_specific_risk_at_the_acceptance_limit(row):
    # Table 1 (from memory); what is asserted here is the normal arithmetic behind the row
    band = {"3 U": 3, "1.5 U": 1.5, "1 U": 1, "0.83 U": 0.83, "0": 0, "-U": -1}
    limit, u = 250.0, 1.6
    w = band[row["guard_band_w"]] * 2 * u
    risk = beyond(limit - w, u, upper=limit)
    if row["guard_band_w"] == "-U":
        risk = 1.0 - risk  # rejected although it conforms
    assert risk == pytest.approx(row["normal_tail"], rel=1e-9)
    words = row["specific_risk"].split("<")[1].split()
    at_most = float(words[0]) * {"ppm": 1e-6, "%": 1e-2}[words[1]]
    assert risk <= at_most


@pytest.mark.parametrize("case", expected("en_number")["own_arithmetic"])
def test_en_number(case):
    # ISO 13528:2015, 9.7; no published example was found, the arithmetic is ours
    u = np.hypot(case["U_lab"], case["U_ref"]) / 2.0
    ratio = en_number(np.array([case["x"] - case["X"]]), np.array([u]))
    assert ratio[0] == pytest.approx(case["En"], rel=1e-9)


def test_en_number_without_uncertainty_stays_finite():
    ratio = en_number(np.array([0.0, 1e-9, -3.0]), np.zeros(3))
    assert np.isfinite(ratio).all()
    assert ratio[0] == 0.0
    assert ratio[1] > 1.0 > -1.0 > ratio[2]


def test_p_out_against_the_normal_distribution():
    rng = np.random.default_rng(7)
    change, u = rng.normal(0, 3, 2000), rng.uniform(0.01, 3, 2000)
    tolerance = rng.uniform(0.1, 5, 2000)
    ours = p_out(change, u, tolerance)
    tails = stats.norm.sf(tolerance, change, u) + stats.norm.cdf(-tolerance, change, u)
    np.testing.assert_allclose(ours, tails, rtol=1e-12)
    assert ((ours >= 0) & (ours <= 1)).all()


def test_p_out_is_the_share_of_true_changes_beyond_in_a_simulation():
    # what JCGM 106 means by the number: of many cases said to be 30 %, 30 % are beyond
    rng = np.random.default_rng(8)
    seen, u = 2.6, 0.9
    truth = rng.normal(seen, u, 200_000)
    share = np.mean(np.abs(truth) > 3.0)
    assert p_out(*(np.array([v]) for v in (seen, u, 3.0)))[0] == pytest.approx(share, abs=0.004)


def test_certainty_without_uncertainty():
    zero = np.zeros(3)
    assert p_out(np.array([2.0, 3.0, 3.1]), zero, np.full(3, 3.0)).tolist() == [0.0, 0.0, 1.0]
