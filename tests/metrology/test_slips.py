"""Which unit a load was measured in, and what is far beyond rated."""

import numpy as np
import pytest

from calibration.metrology import causes, plausibility, slips
from calibration.metrology.causes import LOAD_FACTORS

# NIST SP 811 (2008), B.8: kilogram-force 9.80665 N (exact), pound-force 4.448222 N, from memory.
N, DAN, KN, KGF, LBF = range(5)
FACTORS = (1.0, 10.0, 1000.0, 9.80665, 4.448222)


def chances(typed, change, span=0.5, u_change=0.004):
    given = (np.atleast_1d(np.asarray(value, dtype=float)) for value in (span, change, u_change))
    span, change, u_change = np.broadcast_arrays(*given)
    return slips.unit_chances(np.full(span.shape, FACTORS[typed]), span, change, u_change)


def test_the_factors_are_the_published_ones():
    assert pytest.approx(FACTORS, rel=1e-6) == LOAD_FACTORS


@pytest.mark.parametrize(
    ("typed", "truly"),
    [(LBF, KGF), (KGF, LBF), (N, LBF), (LBF, N), (DAN, KN), (N, KGF), (KGF, N), (DAN, LBF)],
)
def test_the_unit_that_fits_is_the_most_probable(typed, truly):
    # The loads were `truly`, so the slope is too great by the quotient of the two units.
    found = chances(typed, FACTORS[truly] / FACTORS[typed])[:, 0]
    assert np.argmax(found) == truly
    assert found.sum() == pytest.approx(1.0)
    assert found[typed] == 0.0


def test_two_units_that_lie_close_are_told_apart_only_by_good_numbers():
    # 1 kgf is 0.980665 daN: 2 % apart.
    sharp, blunt = (chances(N, FACTORS[KGF], u_change=u)[:, 0] for u in (0.001, 0.02))
    assert sharp[KGF] > 0.9
    assert 0.3 < blunt[DAN] < blunt[KGF]
    assert blunt[KGF] + blunt[DAN] == pytest.approx(1.0)


def test_where_no_unit_fits_none_is_named():
    assert chances(DAN, 1.5).sum() == 0.0
    assert chances(DAN, -1.0).sum() == 0.0


def test_the_chances_are_bayes_rule_written_out():
    """The same by scipy's densities: two normal components, each unit with its share."""
    from scipy.stats import norm

    seen, u = 2.15, 0.01
    own = np.hypot(u, causes.FLOOR[0])
    wide, _, seldom = causes.ALSO_MOVED
    weights = {}
    for other in (KGF, DAN):  # the rest is further away than a tenth
        ratio = FACTORS[other] / FACTORS[LBF]
        weights[other] = (1.0 - seldom) * norm.pdf(seen, ratio, ratio * own) + (
            seldom * norm.pdf(seen, ratio, ratio * np.hypot(own, wide))
        )
    expected = weights[KGF] / sum(weights.values())
    assert chances(LBF, seen, u_change=u)[KGF, 0] == pytest.approx(expected, rel=1e-4)


def test_one_and_many_are_the_same_bits():
    change = np.linspace(0.05, 12.0, 501)
    many = chances(LBF, change)
    for at in (0, 17, 90, 500):
        assert (chances(LBF, change[at])[:, 0] == many[:, at]).all()


def test_arrays_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="change"):
        slips.unit_chances(np.ones(2), np.ones(2), np.ones(3), np.ones(2))
    with pytest.raises(ValueError, match="rated"):
        plausibility.beyond_rated(np.ones(2), np.ones(3))


def test_beyond_rated_is_beyond_half_as_much_again():
    """150 %: common practice, no source. Exactly so many, typed in pounds, are not beyond."""
    rated = 2000.0
    pounds = rated * 1.5 / FACTORS[LBF]
    load = np.array([3000.0, pounds * FACTORS[LBF], 3001.0, -3001.0, 0.0])
    found = plausibility.beyond_rated(load, np.full(5, rated))
    assert found.tolist() == [False, False, True, True, False]


def test_a_gauge_that_shows_a_little_is_no_pressure():
    """50 kPa, half a bar: common practice, no source."""
    found = plausibility.residual_pressure(np.array([0.0, 50.0, 51.0, 240.0, np.nan, -10.0]))
    assert found.tolist() == [False, False, True, True, False, False]
