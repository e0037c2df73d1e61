"""The diagnosis: clear cases, simulated ones, and probabilities that mean what they say."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from calibration.metrology.causes import CAUSES, CODES
from calibration.metrology.deviations import Deviations, decimals
from calibration.metrology.diagnosis import diagnose, ranked, remedy
from calibration.metrology.evidence import Evidence
from calibration.metrology.forms import as_expected, histogram
from calibration.metrology.misreadings import turned_digits
from tests.bench.troubles import Troubles, simulate

POUND = 0.45359237 * 9.80665
RATED, SLOPE, OFFSET = 2000.0, 3.5, 18234.0  # 7000 counts at rated load


def evidence(zero: float, span: float, load: float = 1000.0, **more) -> Evidence:
    """Return one calibration of a cell of which much is known; zero at 0 N, span at 1000 N."""
    given = {
        "zero_load": 0.0, "zero_reading": zero, "span_load": load, "span_reading": span,
        "load_factor": 10.0, "expected_slope": SLOPE, "expected_offset": OFFSET,
        "var_slope": (0.006 * SLOPE) ** 2, "var_offset": 15.0**2, "covariance": 0.0,
        "reading_sd": 10.0, "rated_load": RATED, "reading_min": 0.0, "reading_max": 65535.0,
        "last_zero_reading": 18237.0, "last_span_reading": 21729.0,
        **more,
    }  # fmt: skip
    return Evidence(**{name: np.array([value]) for name, value in given.items()})


@pytest.mark.parametrize(
    ("cause", "given"),
    [
        ("ageing", evidence(18290, 18290 + 3350)),
        ("zero_shift", evidence(18234 + 900, 18234 + 900 + 3500)),
        ("sensitivity_loss", evidence(18234, 18234 + 2950)),
        ("unit_slip", evidence(18234, 18234 + 1588, load_factor=9.80665)),  # it was pounds
        ("preloaded_zero", evidence(18234 + 530, 18234 + 3500)),
        ("span_not_carried", evidence(18236, 18236 + 20)),
        ("points_swapped", evidence(18234 + 3500, 18234)),
        ("digits_transposed", evidence(18234, 27134)),  # 21734
        ("digits_transposed", evidence(12834, 21734)),
        ("copied_numbers", evidence(18237, 21729)),
        ("cable_swapped", evidence(17310, 17310 + 3710, neighbour_slope=[3.3, 3.71],
                                   neighbour_offset=[19000.0, 17305.0])),
        ("wiring_reversed", evidence(18234, 18234 - 3500)),
        ("at_rail", evidence(18234, 65535)),
        ("at_rail", evidence(0, 0)),
        ("common_reference", evidence(18234, 18234 + 3710, common_change=0.06, common_u=0.004)),
        ("extra_load", evidence(18234, 18234 + 4700)),
        ("unexplained", evidence(1000, 40000)),
    ],
)  # fmt: skip
def test_a_clear_case_is_called_by_its_name(cause, given):
    result = diagnose(given)
    assert ranked(result.probabilities[0])[0]["code"] == cause
    assert result.healthy[0] < 0.5


def test_nothing_is_wrong_with_a_healthy_calibration():
    assert diagnose(evidence(18246, 21740)).healthy[0] > 0.9


def test_zero_under_pressure_asks_for_a_repeat_and_not_for_a_new_cell():
    row = diagnose(evidence(18234 + 530, 18234 + 3500, pressure=800.0)).probabilities[0]
    assert remedy(row) == "repeat"
    assert remedy(diagnose(evidence(18234, 18234 + 3710, common_change=0.06,
                                    common_u=0.004)).probabilities[0]) == "reference"  # fmt: skip


def test_recorded_pressure_speaks_for_a_preloaded_zero():
    place = CODES.index("preloaded_zero")
    known, unknown = (
        diagnose(evidence(18234 + 150, 18234 + 3500, pressure=value)).probabilities[0, place]
        for value in (800.0, np.nan)
    )
    assert known > unknown


def test_points_between_tell_a_spoilt_span_from_a_lost_slope():
    # Three more points: on the old line up to the span, or on the new, flatter line.
    between = {"middle_load": 500.0, "middle_count": 3.0}
    lost = 0.25
    spoilt = evidence(18234, 18234 + 3500 * (1 - lost), middle_reading=18234 + 1750, **between)
    flatter = evidence(
        18234, 18234 + 3500 * (1 - lost), middle_reading=18234 + 1750 * (1 - lost), **between
    )
    assert ranked(diagnose(spoilt).probabilities[0])[0]["code"] == "span_not_carried"
    assert ranked(diagnose(flatter).probabilities[0])[0]["code"] == "sensitivity_loss"


@pytest.fixture(scope="module")
def simulated():
    given, planted = simulate(np.random.default_rng(20260328), 6000, Troubles())
    return given, np.array([CODES.index(code) for code in planted]), diagnose(given)


def test_simulated_causes_are_ranked_first_or_second(simulated):
    _, truth, result = simulated
    surprising = result.healthy < 0.5
    order = np.argsort(-result.probabilities[surprising], axis=1)
    right = order[:, :2] == truth[surprising, None]
    assert surprising.mean() > 0.9
    assert right[:, 0].mean() >= 0.90
    assert right.any(axis=1).mean() >= 0.97


def test_probabilities_mean_what_they_say(simulated):
    _, truth, result = simulated
    surprising = result.healthy < 0.5
    said = result.probabilities[surprising]
    right = said.argmax(axis=1) == truth[surprising]
    top = said.max(axis=1)
    for low, high in ((0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
        inside = (top >= low) & (top < high)
        assert right[inside].mean() == pytest.approx(top[inside].mean(), abs=0.12)


def test_rows_add_up_and_are_finite(simulated):
    _, _, result = simulated
    assert np.isfinite(result.probabilities).all()
    assert result.probabilities.sum(axis=1) == pytest.approx(1.0)
    assert ((result.healthy >= 0) & (result.healthy <= 1)).all()


def test_one_calibration_gives_the_bits_of_the_batch(simulated):
    given, _, result = simulated
    for index in range(200):
        alone = replace(
            given,
            **{
                field.name: getattr(given, field.name)[index : index + 1]
                for field in fields(given)
                if getattr(given, field.name) is not None
            },
        )
        single = diagnose(alone)
        assert (single.probabilities[0] == result.probabilities[index]).all()
        assert single.healthy[0] == result.healthy[index]


def test_scales_of_reading_and_load_do_not_matter():
    # mV/V instead of counts with the same number of digits; the diagnosis is the same.
    counts = diagnose(evidence(18291, 21643)).probabilities
    small = diagnose(
        evidence(
            1.8291,
            2.1643,
            expected_slope=SLOPE * 1e-4,
            expected_offset=OFFSET * 1e-4,
            var_slope=(0.006 * SLOPE * 1e-4) ** 2,
            var_offset=15e-4**2,
            reading_sd=1e-3,
            reading_min=0.0,
            reading_max=6.5535,
            last_zero_reading=1.8237,
            last_span_reading=2.1729,
        )
    ).probabilities
    assert small == pytest.approx(counts, rel=1e-6)


def test_densities_agree_with_scipy():
    seen = Deviations(evidence(18290, 18290 + 3350, covariance=-0.02), CAUSES)
    a, b, c = (float(part[0]) for part in seen.covariance(seen.x0, seen.x1))
    expected = multivariate_normal([0, 0], [[a, b], [b, c]]).logpdf(
        [float(seen.zero[0]), float(seen.span[0])]
    )
    assert as_expected(seen)[0] == pytest.approx(expected, rel=1e-12)


def test_histogram_is_the_integral():
    grid = np.linspace(0.1, 0.4, 200_001)
    density = np.exp(-0.5 * ((grid - 0.35) / 0.05) ** 2) / np.sqrt(2 * np.pi) / 0.05
    expected = np.log(np.trapezoid(density * (0.5 / 0.3), grid))
    result = histogram(np.array([0.35]), np.array([0.05]), ((0.1, 0.4, 0.5),), both_ways=False)
    assert result[0] == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("best", [-0.4, -0.03, 0.0, 0.02, 0.2, 0.9])
@pytest.mark.parametrize("code", ["ageing", "zero_shift", "common_reference"])
def test_histogram_of_either_sign_is_the_mean_of_both(best, code):
    # Against the distribution functions of scipy.stats: cdf below the middle, sf above it.
    sizes, width = CAUSES[CODES.index(code)].sizes, 0.03
    expected = 0.0
    for middle in (best, -best):
        law = norm(middle, width)
        for low, high, share in sizes:
            upper = law.sf(low) - law.sf(high) if low > middle else law.cdf(high) - law.cdf(low)
            expected += 0.5 * share / (high - low) * upper
    result = histogram(np.array([best]), np.array([width]), sizes, both_ways=True)
    assert result[0] == pytest.approx(np.log(expected), rel=1e-12)


def test_room_for_more_neighbours_changes_no_bit():
    given = evidence(17310, 17310 + 3710, neighbour_slope=[3.3, 3.71],
                     neighbour_offset=[19000.0, 17305.0])  # fmt: skip
    wide = replace(
        given,
        neighbour_slope=np.pad(given.neighbour_slope, ((0, 0), (0, 30)), constant_values=np.nan),
        neighbour_offset=np.pad(given.neighbour_offset, ((0, 0), (0, 30)), constant_values=np.nan),
    )
    assert (diagnose(given).probabilities == diagnose(wide).probabilities).all()


def test_turned_digits_are_those_that_a_person_would_turn_back():
    found = sorted(
        number[0]
        for number, there in zip(*turned_digits(np.array([27134.0])), strict=True)
        if there[0]
    )
    assert found == [21734.0, 27143.0, 27314.0, 72134.0]
    found = [
        number[0]
        for number, there in zip(*turned_digits(np.array([-1.203])), strict=True)
        if there[0]
    ]
    assert sorted(found) == [-2.103, -1.230, -1.023]
    assert decimals(np.array([12.0, 1.25, 0.1 + 0.2, np.pi])).tolist() == [0, 2, 1, 6]


@pytest.mark.parametrize(
    ("change", "names"),
    [
        ({"span_load": 0.0}, "span_load"),
        ({"expected_slope": 0.0}, "expected_slope"),
        ({"reading_sd": 0.0}, "reading_sd"),
        ({"zero_reading": np.nan}, "zero_reading"),
        ({"var_offset": -1.0}, "var_offset"),
    ],
)
def test_bad_input_names_the_argument(change, names):
    bad = replace(evidence(1, 2), **{name: np.array([value]) for name, value in change.items()})
    with pytest.raises(ValueError, match=names):
        diagnose(bad)


def test_every_cause_says_what_it_is_and_what_to_check():
    assert sum(cause.prior for cause in CAUSES) == pytest.approx(1.0)
    for cause in CAUSES:
        assert cause.says.endswith(".")
        assert cause.check.endswith((".", "?"))
        assert cause.remedy in {"repeat", "correct", "cell", "reference"}
        shares = sum(share for _, _, share in cause.sizes)
        assert not cause.sizes or shares == pytest.approx(1.0)
