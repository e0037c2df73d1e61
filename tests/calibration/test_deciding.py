"""Which of slope and offset a verdict rests on: one rule for pages, sentences and sheets."""

import pytest

from calibration.admin import wording
from calibration.models import Judgement
from calibration.readout import deciding

# Tolerances: 2 % of slope, 50 N of offset.
CASES = [
    # chances of slope and offset, changes of both, who decides
    ((0.9, 0.2), (1.0, 49.0), "slope"),
    ((0.2, 0.9), (3.9, 10.0), "offset"),
    ((1.0, 1.0), (5.0, -200.0), "offset"),  # sure of both: 2.5 tolerances against 4
    ((1.0, 1.0), (-9.0, 200.0), "slope"),
    ((0.0, 0.0), (0.1, 2.5), "slope"),  # as far: the slope
    ((0.0, 0.0), (None, 2.5), "offset"),
]


def row_of(chances, changes, **more):
    return Judgement(
        slope_tolerance_pct=2.0,
        offset_tolerance=50.0,
        expected_p_out_slope=chances[0],
        expected_p_out_offset=chances[1],
        expected_slope_change_pct=changes[0],
        expected_offset_change=changes[1],
        **more,
    )


@pytest.mark.parametrize(("chances", "changes", "decides"), CASES)
def test_the_likelier_decides_and_of_two_as_likely_the_one_further_out(chances, changes, decides):
    assert deciding.heavier(row_of(chances, changes, first_id="f")) == decides
    answer = {
        "tolerance": {"slope_pct": 2.0, "offset": 50.0},
        "against_expected": {
            "p_out_slope": chances[0], "p_out_offset": chances[1],
            "slope_change_pct": changes[0], "offset_change": changes[1],
        },
    }  # fmt: skip
    assert deciding.greater(answer) == (decides, max(chances))


def test_a_first_calibration_is_decided_by_its_normalised_errors():
    row = row_of((None, None), (3.0, 10.0), expected_en_slope=0.4, expected_en_offset=-1.3)
    assert deciding.weights(row) == (0.4, 1.3)
    assert deciding.heavier(row) == "offset"


@pytest.mark.parametrize(("common", "said"), [(4.0, "reference moved"), (0.3, "since the first")])
def test_a_list_names_a_moved_reference_before_what_has_added_up(common, said):
    row = row_of(
        (0.1, 0.0), (0.2, 1.0), first_id="f", verdict="watch", reference_moved=0.99,
        common_change_pct=common, first_p_out_slope=0.98, first_p_out_offset=0.0,
        first_slope_change_pct=4.1, first_u_slope_change_pct=0.4, first_offset_change=1.0,
        first_u_offset_change=1.0,
    )  # fmt: skip
    assert said in wording.decisive(row, "N")
