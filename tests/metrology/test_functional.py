"""Functional tests by hand; the criteria are common practice of the trade, no source."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.metrology.functional import (
    BOUNCING,
    FINDING_CODES,
    LIFTING,
    Steps,
    findings_of,
    judge,
    setpoint_tolerance,
)
from calibration.metrology.settling import settling

NAN = np.nan


def codes(judgement, row: int = 0) -> list[str]:
    return [finding["code"] for finding in findings_of(judgement.findings[row])]


def steps(commanded, mean, **more) -> Steps:
    return Steps(
        np.array([commanded]), np.array([mean]), **{k: np.array([v]) for k, v in more.items()}
    )


def test_a_good_test_passes():
    result = judge(
        steps(
            [500.0, 1000.0], [505.0, 996.0], displayed_min=[460.0, 950.0],
            displayed_max=[560.0, 1080.0], pressure=[3000.0, 5200.0], observed=[0, 0],
        ),
        40.0,
    )  # fmt: skip
    assert result.passed[0]
    assert codes(result) == []
    assert result.error[0].tolist() == [5.0, -4.0]
    assert result.worst_error_pct[0] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("change", "finding"),
    [
        ({"mean": [495.0, 1041.0]}, "error_beyond"),
        ({"observed": [BOUNCING, 0]}, "bouncing"),
        ({"observed": [0, LIFTING]}, "lifting"),
        ({"pressure": [3000.0, 3000.0]}, "pressure_not_rising"),
        ({"pressure": [3000.0, 2500.0]}, "pressure_not_rising"),
        ({"displayed_max": [800.0, 1080.0]}, "ripple"),
        ({"settled": [True, False]}, "not_settled"),
    ],
)
def test_each_finding_fails_the_test(change, finding):
    given = {
        "mean": [505.0, 996.0], "displayed_min": [460.0, 950.0],
        "displayed_max": [560.0, 1080.0], "pressure": [3000.0, 5200.0], "observed": [0, 0],
        **change,
    }  # fmt: skip
    result = judge(steps([500.0, 1000.0], given.pop("mean"), **given), 40.0)
    assert codes(result) == [finding]
    assert not result.passed[0]


def test_the_pattern_of_errors_points_at_slope_or_zero():
    slope = judge(steps([500.0, 1000.0, 1500.0], [550.0, 1101.0, 1649.0]), 45.0)
    zero = judge(steps([500.0, 1000.0, 1500.0], [601.0, 1100.0, 1600.0]), 45.0)
    assert codes(slope) == ["error_beyond", "proportional_error"]
    assert codes(zero) == ["error_beyond", "constant_error"]


def test_one_setpoint_twice_is_no_functional_test():
    assert codes(judge(steps([500.0, 500.0], [500.0, 501.0]), 40.0)) == ["too_few_setpoints"]
    assert codes(judge(steps([500.0], [500.0]), 40.0)) == ["too_few_setpoints"]


def test_order_of_steps_and_padding_change_nothing():
    whole = Steps(
        commanded=np.array([[1000.0, 500.0, NAN], [500.0, 1000.0, 1500.0]]),
        displayed_mean=np.array([[1101.0, 550.0, 0.0], [500.0, 1000.0, 1500.0]]),
        pressure=np.array([[5000.0, 3000.0, NAN], [3000.0, NAN, 2000.0]]),
    )
    both = judge(whole, 45.0)
    alone = judge(steps([500.0, 1000.0], [550.0, 1101.0], pressure=[3000.0, 5000.0]), 45.0)
    assert (both.findings[0] == alone.findings[0]).all()
    assert both.worst_error_pct[0] == alone.worst_error_pct[0]
    assert codes(both, 1) == ["pressure_not_rising"]  # a pressure was not taken: 500 against 1500


def test_tolerance_at_a_setpoint_takes_slope_and_offset_at_their_worst():
    tolerance = setpoint_tolerance(np.array([[500.0, 1000.0]]), np.array([3.0]), np.array([20.0]))
    assert tolerance.tolist() == [[35.0, 50.0]]


@given(st.floats(10, 5000), st.floats(-0.2, 0.2), st.floats(1, 400))
def test_error_beyond_is_exactly_that(setpoint, share, tolerance):
    mean = setpoint * (1 + share)
    result = judge(steps([setpoint, 2 * setpoint], [mean, 2 * setpoint]), tolerance)
    assert result.findings[0, FINDING_CODES.index("error_beyond")] == (
        abs(mean - setpoint) > tolerance
    )


@pytest.mark.parametrize(
    ("commanded", "mean", "names"),
    [
        ([0.0, 500.0], [0.0, 500.0], "commanded"),
        ([500.0, np.inf], [500.0, 500.0], "commanded"),
        ([500.0, 1000.0], [500.0, NAN], "displayed_mean"),
    ],
)
def test_bad_input_names_the_argument(commanded, mean, names):
    with pytest.raises(ValueError, match=names):
        judge(steps(commanded, mean), 40.0)


def test_time_to_settle():
    # A first-order rise to 1000 with 2 s stays within 5 % after 2 ln 20 = 5.99 s.
    t = np.arange(0, 15.001, 0.01)
    log = 1000.0 * (1 - np.exp(-t / 2.0))
    short = np.where(t <= 7.0, t, NAN)
    result = settling(np.stack([t, short, t]), np.stack([log, log, log * 0]), 1000.0, 50.0)
    assert result.seconds[0] == pytest.approx(2 * np.log(20), abs=0.011)
    assert result.settled.tolist() == [True, False, False]  # 1 s is not long enough to be sure
    assert np.isinf(result.seconds[1:]).all()
