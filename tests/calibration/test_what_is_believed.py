"""What a sound cell, a moved reference and a slip of the pen do to the verdicts around them.

Made-up cells of 10 readings a newton; no outside source, the numbers follow from the cases.
"""

import numpy as np
import pytest

from calibration import company, flagging, suspecting, weighing
from calibration.arrays import History
from calibration.calendars import DAY_US
from calibration.cases import Case
from calibration.expecting import Fleet
from calibration.metrology import fit
from calibration.metrology.causes import CODES
from calibration.metrology.fit import Points
from calibration.metrology.fleetnoise import DEFAULT
from calibration.metrology.series import Noise, Prior
from calibration.neighbours import Neighbours
from calibration.policies import Rule
from calibration.references import References

ZERO, LOAD, RATED = 500.0, 3000.0, 5000.0
SPRING = 80.4  # days into a year


class _OneRule:
    def rule(self, _model, _dealer):
        return Rule(3.0, 2.0, 0.5, 0.3, 0.9, 365, None, (500.0, 1000.0), "N", None)


def judged(cells, *, tag=True, as_left=()):
    """Return the weighed case of cells, each a list of (day, slope), or with a reference's key.

    `as_left` says of each cell which of its calibrations were.
    """
    rows = [
        (key, day, slope, *(reference or (5,)))
        for key, cell in enumerate(cells, 1)
        for day, slope, *reference in cell
    ]
    sensor, day, slope, reference = (np.array(values) for values in zip(*rows, strict=True))
    size = len(rows)
    load = np.tile([0.0, LOAD], size)
    reading = ZERO + np.repeat(slope, 2) * load
    u = np.full(2 * size, 20.0)
    given = {
        "machine": sensor, "load_factor": 1, "reading_factor": 1, "reading_sd": 20,
        "reading_min": 0, "reading_max": 1e9, "pressure": np.nan,
        "tag_zero_reading": ZERO if tag else np.nan, "tag_span_load": 1000.0,
        "tag_span_reading": ZERO + 10_000.0 if tag else np.nan,
    }  # fmt: skip
    history = History(
        ids=np.frombuffer(b"".join(i.to_bytes(16, "big") for i in range(size)), dtype="V16"),
        sensor=sensor,
        model=np.ones(size, dtype=np.int64),
        dealer=np.ones(size, dtype=np.int64),
        moment=(day * DAY_US).astype(np.int64),
        day=day.astype(np.float64),
        date=np.floor(day).astype(np.int64),
        season=(1970 + day // 365.25).astype(np.int64),
        starts_segment=np.zeros(size, dtype=bool),
        superseded=np.zeros(size, dtype=bool),
        as_found=~np.concatenate([*as_left]) if len(as_left) else np.ones(size, dtype=bool),
        installation=sensor,
        reference=reference,
        reference_pct=np.full(size, 0.2),
        references=References(np.array([5, 6]), np.full(2, 0.2), ("UTC", "UTC")),
        rated_load=np.full(size, RATED),
        lot=np.full(size, "L1"),
        extras={name: np.zeros(size) + value for name, value in given.items()},
        points=Points(load, reading, np.zeros_like(load), u, np.full(size, 2)),
    )
    case = Case(history, fit.fit_lines(history.points, history.reference_pct), _OneRule())
    segments = len(case.families[0])
    noise = Noise(*[np.full(segments, sd**2) for sd in DEFAULT])
    fleet = Fleet(noise, Prior(*[np.full(segments, np.nan)] * 4))
    found = weighing.look(case, fleet, company.nobody())
    nobody = Neighbours(np.zeros(0, dtype=np.int64), np.zeros((0, 0)), np.zeros((0, 0)))
    return weighing.weigh(case, fleet, found, nobody)


def season(year, hours=0.0):
    return np.floor((year - 1970) * 365.25) + SPRING + hours / 24.0


def yearly(*slopes, since=2018):
    return [(season(since + i), slope) for i, slope in enumerate(slopes)]


def first_cause(found, i):
    return found.causes_of(i)[0]["code"]


@pytest.mark.parametrize("cells", [4, 10])
@pytest.mark.parametrize("again", [0, 1, 3])
def test_a_cell_that_is_taken_again_the_same_day_does_not_hide_a_moved_reference(cells, again):
    twice = [(season(2025, hours), 10.5) for hours in range(again + 1)]
    found = judged([[*yearly(10.0, since=2024), *twice]] * cells)
    day = np.flatnonzero((found.case.history.season == 2025) & (found.case.pairs.before >= 0))
    as_found = day[found.shared.common.members[day] > 0]
    assert len(as_found) == cells
    assert (found.shared.common.members[as_found] == cells).all()
    assert (found.shared.common.moved[as_found] > 0.9).all()
    assert (found.outlook.level[as_found] == weighing.WATCH).all()
    assert {first_cause(found, i) for i in as_found} == {"common_reference"}


def test_one_cell_alone_taken_four_times_is_not_four_cells():
    found = judged([[*yearly(10.0, since=2024), *[(season(2025, h), 10.5) for h in range(4)]]])
    assert found.shared.common.members.max() == 1


def test_a_slow_drift_is_not_a_slip_of_its_newest_day():
    found = judged([yearly(*(10.0 * (1.0 + 0.012 * i) for i in range(6)))])
    slow = np.flatnonzero(found.outlook.slow)
    assert len(slow) >= 2
    assert found.outlook.trusted.all()
    assert first_cause(found, slow[-1]) == "ageing"
    slips = [CODES[k] for k in np.flatnonzero(suspecting._TO_REPEAT)]
    assert not {cause["code"] for i in slow for cause in found.causes_of(i)} & set(slips)


def test_a_first_calibration_off_its_tag_does_not_end_the_watch_for_slow_drift():
    for first in (10.0, 10.36):
        found = judged([yearly(*(first * (1.0 + 0.012 * i) for i in range(6)))])
        assert found.outlook.level[0] == weighing.WITHIN
        assert found.outlook.slow[-1], first


def test_numbers_that_are_not_believed_have_no_part_in_a_trend():
    good, slipped = [10.0] * 7, [10.0] * 7
    slipped[2] = 10.0 / 4.448  # daN for lbf, or so
    found = judged([yearly(*good), yearly(*slipped)])
    assert found.outlook.trusted.tolist() == [True] * 7 + [True, True, False] + [True] * 4
    tendency = found.tendency
    assert np.isnan(tendency.slope_pct_per_year[9])
    assert tendency.slope_pct_per_year[13] == pytest.approx(0.0, abs=1e-9)
    sooner = np.nan_to_num(tendency.earliest_crossing[10:14], nan=np.inf)
    assert (sooner - found.case.history.day[10:14] > 300.0).all()


def test_a_first_calibration_in_another_unit_does_not_set_the_scale():
    jump = [10.0, 10.0, 10.6, 10.6, 10.6, 10.6]
    usual, strange = judged([yearly(10.0, *jump)]), judged([yearly(0.1, *jump)])
    assert not strange.outlook.trusted[0]
    for found in (usual, strange):
        after = found.outlook.expectation.change_slope_pct[4:]
        assert np.abs(after).max() < 0.6
        assert found.outlook.expectation.jump[3] > 0.9


LBF = 4.448  # N; what was typed as N was so many times as much


@pytest.mark.parametrize("cells", [1, 4, 8, 12])
@pytest.mark.parametrize("factor", [LBF, 1.0 / LBF, 10.0, 1.6])
def test_a_slip_of_a_whole_batch_is_no_moved_reference(cells, factor):
    """Nor does it make next season's right numbers look wrong."""
    found = judged([yearly(10.0, 10.0, 10.0, 10.0 * factor, 10.0, 10.0)] * cells)
    slipped = found.case.history.season == 2021
    assert (found.outlook.level[slipped] == weighing.BEYOND).all()
    assert not found.outlook.moved.any()
    after = found.case.history.season > 2021
    if factor != 1.6:  # no unit: it may be the cell
        assert not found.outlook.trusted[slipped].any()
        causes = {first_cause(found, i) for i in np.flatnonzero(slipped)}
        assert causes == {"unit_slip" if factor > 1.0 else "span_not_carried"}
        assert (found.outlook.level[after] == weighing.WITHIN).all()
    assert found.outlook.expectation.var_slope[after].max() < 2.0  # of 10: not a wide guess


@pytest.mark.parametrize("hours", [0.5, 11.0])
def test_a_unit_that_is_wrong_twice_on_a_visit_does_not_confirm_itself(hours):
    twice = [(season(2021), 10.0 * LBF), (season(2021, hours), 10.002 * LBF)]
    found = judged([[*yearly(10.0, 10.0, 10.0), *twice, (season(2022), 10.0)]])
    assert found.outlook.trusted.tolist() == [True] * 3 + [False] * 2 + [True]
    assert found.outlook.level[-1] == weighing.WITHIN


def test_what_is_measured_again_on_the_same_visit_confirms_what_is_no_unit():
    found = judged([[*yearly(10.0, 10.0, 10.0), (season(2021), 11.0), (season(2021, 1.0), 11.01)]])
    assert found.outlook.trusted.all()
    assert found.outlook.level[-2:].tolist() == [weighing.BEYOND, weighing.WITHIN]


@pytest.mark.parametrize(("again", "believed"), [(10.002, True), (10.0, False)])
def test_a_copy_does_not_confirm_and_a_measurement_does(again, believed):
    found = judged([yearly(10.0, 10.0, 10.0, 10.0 * LBF, again * LBF, again * LBF)])
    assert found.outlook.trusted[3] == believed


def test_however_many_slips_of_twenty_seasons_are_set_aside():
    slopes = [10.0] * 20
    for year in (3, 6, 9, 12, 15, 18):
        slopes[year] = 10.0 * LBF
    found = judged([yearly(*slopes, since=2001)])
    slipped = np.array(slopes) > 20.0
    assert (found.outlook.trusted == ~slipped).all()
    assert (found.outlook.level[~slipped] == weighing.WITHIN).all()


MOVED_BY = 1.045  # of a tolerance of 3 %


@pytest.mark.parametrize("back", [False, True])
def test_cells_are_not_watched_for_what_their_reference_moved_years_ago(back):
    after = [10.0 * MOVED_BY] * 3 + [10.0 if back else 10.0 * MOVED_BY] * 2
    found = judged([yearly(10.0, 10.0, *after)] * 8)
    at_once = found.case.history.season == 2020
    assert found.outlook.moved.tolist() == at_once.tolist()
    assert not found.outlook.slow.any()
    assert (found.outlook.level[~at_once] == weighing.WITHIN).all()


def test_a_cell_that_drifts_by_itself_is_watched_although_its_reference_moved():
    steady = yearly(10.0, 10.0, *[10.0 * MOVED_BY] * 5)
    drifting = [
        (day, slope * (1.0 + 0.012 * max(year - 1, 0))) for year, (day, slope) in enumerate(steady)
    ]
    found = judged([steady] * 7 + [drifting])
    assert found.outlook.slow[-1]
    assert not found.outlook.slow[:-7].any()


def test_what_a_reference_moved_is_in_no_cells_trend():
    found = judged([yearly(10.0, 10.0, *[10.0 * MOVED_BY] * 5)] * 12)
    moved = found.case.history.season >= 2020
    assert np.abs(found.tendency.slope_pct_per_year[moved]).max() < 0.05
    beyond = np.nan_to_num(found.tendency.earliest_crossing[moved], nan=np.inf)
    assert (beyond - found.case.history.day[moved] > 365.0).all()


def test_a_slow_flag_says_how_far_the_cell_has_come_by_itself():
    own = 1.011
    drifting = [10.0 * own**i * (MOVED_BY if i >= 2 else 1.0) for i in range(7)]
    found = judged([yearly(10.0, 10.0, *[10.0 * MOVED_BY] * 5)] * 11 + [yearly(*drifting)])
    flags = flagging.flags_of(found)
    slow = found.outlook.slow[flags.index] & (flags.kind == flagging.SLOPE)
    assert slow.any()
    years = found.case.history.season[flags.index[slow]] - 2018
    assert flags.magnitude[slow] == pytest.approx(100.0 * (own**years - 1.0), abs=0.8)
    assert not {"common_reference"} & {first_cause(found, i) for i in flags.index[slow].tolist()}


MENDED, ANOTHER = 5, 6  # keys of the reference that moved, and of another one


def moved_once(*then, count=8):
    """Cells whose reference had moved in 2020, some with what was measured after that."""
    cells = [yearly(10.0, 10.0, 10.0 * MOVED_BY) for _ in range(count)]
    for cell, more in zip(cells, then, strict=False):
        cell.extend(more)
    return cells


@pytest.mark.parametrize("moved_by", [MOVED_BY, 1.0 / MOVED_BY, 1.025])
@pytest.mark.parametrize("reference", [MENDED, ANOTHER])
@pytest.mark.parametrize("cells", [1, 2, 3, 4, 8])
@pytest.mark.parametrize("days", [1, 365])
def test_cells_that_come_back_when_the_reference_is_good_again_have_not_drifted(
    moved_by, reference, cells, days
):
    again = [(season(2020) + days, 10.0, reference), (season(2022), 10.01, reference)]
    whole = [yearly(10.0, 10.0, 10.0 * moved_by) for _ in range(8)]
    for cell in whole[:cells]:
        cell.extend(again)
    found = judged(whole)
    history, outlook = found.case.history, found.outlook
    after = history.day > season(2020)
    back = history.day == season(2020) + days
    assert outlook.level[after].tolist() == [weighing.WITHIN] * 2 * cells
    assert np.abs(outlook.expectation.change_slope_pct[after]).max() < 0.6
    returned = found.shared.moves.returned
    assert returned[back] == pytest.approx(moved_by - 1.0, abs=0.004)
    assert np.isnan(returned[~back]).all()
    assert outlook.moved.tolist() == (history.day == season(2020)).tolist()
    assert outlook.trusted.all()
    kinds = flagging.flags_of(found).kind
    assert kinds.tolist() == [flagging.REFERENCE]


def test_the_cells_that_come_back_do_so_among_many_that_were_not_there():
    """A day with the mended reference: few were measured while it was off, most were not."""
    there = [[*yearly(10.0, 10.0, 10.0 * MOVED_BY), (season(2020) + 9, 10.0)] for _ in range(6)]
    others = [[*yearly(10.0, 10.0), (season(2020) + 9, 10.0)] for _ in range(20)]
    found = judged(there + others)
    last = found.case.history.day == season(2020) + 9
    assert (found.outlook.level[last] == weighing.WITHIN).all()
    assert (~np.isnan(found.shared.moves.returned[last])).sum() == 6


@pytest.mark.parametrize("size", [0.91, 0.95, 1.09])
def test_a_cell_that_does_not_come_back_to_its_numbers_has_drifted(size):
    found = judged(moved_once([(season(2020) + 1, 10.0 * size, ANOTHER)]))
    at = np.flatnonzero(found.case.history.day == season(2020) + 1)
    assert found.outlook.level[at].tolist() == [weighing.BEYOND]


def test_a_reference_that_stays_off_keeps_its_cells_as_they_are():
    found = judged(moved_once(*[[(season(2021), 10.0 * MOVED_BY)]] * 5))
    assert np.isnan(found.shared.moves.returned).all()
    assert (found.outlook.level[found.case.history.season == 2021] == weighing.WITHIN).all()


def test_a_reference_that_moves_again_after_it_came_back_is_found_again():
    back_and_off = [(season(2021), 10.0), (season(2022), 10.0 * MOVED_BY), (season(2023), 10.0)]
    found = judged(moved_once(*[back_and_off] * 8))
    year = found.case.history.season
    assert found.outlook.moved.tolist() == np.isin(year, (2020, 2022)).tolist()
    assert (~np.isnan(found.shared.moves.returned)).tolist() == np.isin(
        year, (2021, 2023)
    ).tolist()
    assert (found.outlook.level[year == 2023] == weighing.WITHIN).all()


# ── Left after an adjustment ──────────────────────────────────────────────────
# Drift is what a cell was found with against what it was left with before: intervals are reviewed
# by results before adjustment (ILAC-G24 / OIML D 10, methods of reviewing; from memory).


def visits(*slopes):
    """Yearly visits of one cell: (as found, as left), or (as found,)."""
    return [
        (season(2018 + year, hours), slope)
        for year, visit in enumerate(slopes)
        for hours, slope in enumerate(visit)
    ]


def left(cell):
    """Which of its calibrations are the second of a visit."""
    days = np.array([day for day, _ in cell])
    return np.append(False, np.diff(days) < 0.5)


def test_what_was_left_adjusted_is_no_drift_and_the_next_is_held_against_it():
    cell = visits((10.0,), (10.0,), (10.5, 10.01), (10.0,), (9.6, 10.0), (10.0,))
    found = judged([cell], as_left=[left(cell)])
    beyond = found.outlook.level == weighing.BEYOND
    assert beyond.tolist() == [slope in {10.5, 9.6} for _, slope in cell]
    assert found.case.pairs.segment.tolist() == [1, 1, 1, 2, 2, 2, 3, 3]
    assert found.case.pairs.previous.tolist()[4] == 3
    assert found.outlook.expectation.change_slope_pct[4] == pytest.approx(-0.1, abs=0.02)
    flags = flagging.flags_of(found)
    assert flags.index.tolist() == np.flatnonzero(beyond).tolist()


def test_the_same_numbers_found_twice_are_drift_and_back_again():
    """The same, but nobody said that it was adjusted: both ways are judged."""
    cell = visits((10.0,), (10.0,), (10.5, 10.01))
    found = judged([cell])
    assert found.outlook.level[2:].tolist() == [weighing.BEYOND] * 2
    assert found.case.pairs.segment.max() == 1


@pytest.mark.parametrize(
    ("left_with", "adjusted", "level"),
    [
        (10.02, True, weighing.WITHIN),
        (10.2, True, weighing.WITHIN),
        (10.44, False, weighing.WITHIN),  # no more than chance: it says nothing of an adjustment
        (11.2, False, weighing.BEYOND),  # farther away
        (10.5 * LBF, False, weighing.BEYOND),  # typed in another unit
        (10.5 / LBF, False, weighing.BEYOND),
    ],
)
def test_only_what_brings_a_cell_back_is_an_adjustment(left_with, adjusted, level):
    cell = visits((10.0,), (10.0,), (10.5, left_with))
    found = judged([cell], as_left=[left(cell)])
    assert (found.case.pairs.segment[-1] == 2) == adjusted
    assert found.outlook.level[-1] == level


def test_a_new_cell_that_is_adjusted_on_its_first_visit_begins_with_what_it_was_left_with():
    cell = visits((10.4, 10.0), (10.0,))
    found = judged([cell], as_left=[left(cell)])
    assert found.case.pairs.segment.tolist() == [1, 2, 2]
    assert found.outlook.level[1:].tolist() == [weighing.WITHIN] * 2


def test_a_cell_that_is_adjusted_in_two_steps_begins_with_the_second():
    cell = visits((10.0,), (10.0,), (10.8, 10.4, 10.0), (10.0,))
    found = judged([cell], as_left=[left(cell)])
    assert found.case.pairs.segment.tolist() == [1, 1, 1, 2, 3, 3]
    assert found.outlook.level[3:].tolist() == [weighing.WITHIN] * 3


def test_what_is_left_on_another_visit_is_judged():
    cell = [*visits((10.0,), (10.0,), (10.5,)), (season(2020, 20.0), 10.0)]
    found = judged([cell], as_left=[[False, False, False, True]])
    assert found.outlook.level[-1] == weighing.BEYOND
