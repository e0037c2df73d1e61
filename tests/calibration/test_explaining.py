"""Why a verdict: the steps are said in words, with the answer's own numbers and no others."""

import re
from datetime import UTC, datetime
from functools import partial
from statistics import NormalDist
from zoneinfo import ZoneInfo

import pytest
from django.template.loader import render_to_string

from calibration import readout
from calibration.models import Calibration, TolerancePolicy
from calibration.readout import deciding, explain, ruling, sources
from calibration.readout.phrases import (
    beside_limit,
    brief,
    chance,
    day,
    digits,
    leaving,
    points_said,
)
from calibration.records import PointDraft
from calibration.rounding import with_uncertainty
from tests.conftest import SYSTEM
from tests.desk import page, signed_in, without_files

FIRST_DAY = "2022-03-10T09:00:00Z"
LAST_DAY = "2025-03-11T09:00:00Z"


def against(slope=1.2, offset=0.4, p_slope=0.031, p_offset=0.002, **more):
    """Return a comparison as the answer has it."""
    return {
        "slope_change_pct": slope,
        "u_slope_change_pct": 0.9,
        "offset_change": offset,
        "u_offset_change": 0.25,
        "en_slope": slope / 1.8,
        "en_offset": offset / 0.5,
        "p_out_slope": p_slope,
        "p_out_offset": p_offset,
    } | more


def expected(**more):
    """Return a comparison with what was expected."""
    return against(
        expected_slope=98.8, u_expected_slope=0.6, expected_offset=19970.0, u_expected_offset=21.0,
        common_change_pct=0.71, u_common_change_pct=0.12, common_members=5, reference_moved=0.04,
        jump_probability=0.02, learnt_from=True, rests_on="tag",
    ) | more  # fmt: skip


def answer(**changes):
    """Return the parts of a calibration's answer that an explanation reads."""
    return {
        "points": [
            {"load": 0.0, "reading": 20011.0, "direction": "up"},
            {"load": 100.5, "reading": 30060.0, "direction": "up"},
        ],
        "load_unit": "daN",
        "reading_unit": "count",
        "reference_name": "scale 1",
        "fit": {
            "slope": 99.99, "u_slope": 0.58, "offset": 20011.0, "u_offset": 30.0,
            "residual_sd": None, "birge_ratio": None, "degrees_of_freedom": 0,
            "reference_uncertainty_pct": 0.5, "load_unit": "daN", "reading_unit": "count",
        },
        "against_expected": expected(),
        "against_previous": against(2.1, performed_at=LAST_DAY),
        "against_first": against(2.9, performed_at=FIRST_DAY),
        "tolerance": {
            "slope_pct": 3.0, "offset": 4.0, "load_unit": "daN",
            "flag_probability": 0.5, "watch_probability": 0.2,
        },
        "trend": {
            "slope_pct_per_year": 0.7, "expected_crossing": "2028-05-04",
            "earliest_crossing": "2027-02-01",
        },
        "verdict": "within",
        "stage": "as_found",
        "performed_at": "2026-03-10T09:00:00Z",
        "superseded_by": None,
        "causes": [],
        "flags": [],
        "method": {"fit": "line/1", "judgement": "expected/1"},
    } | changes  # fmt: skip


def said(of, step):
    found = [item["says"] for item in explain(of, UTC) if item["step"] == step]
    assert found, [item["step"] for item in explain(of, UTC)]
    return " ".join(found)


def names(of):
    return [item["step"] for item in explain(of, UTC)]


def test_two_points_step_by_step():
    whole = answer()
    assert names(whole) == [
        "points", "line", "expected", "common", "slope change", "offset change", "jump",
        "against previous", "against first", "verdict", "trend",
    ]  # fmt: skip
    assert "2 points: 20011 count at 0 daN, 30060 count at 100.5 daN." in said(whole, "points")
    assert "(scale 1) counts as known to 0.5 %" in said(whole, "points")
    assert "slope 99.99 ± 0.58 count/daN" in said(whole, "line")
    assert "offset 20011 ± 30 count" in said(whole, "line")
    assert "since 2022-03-10 led one to expect the slope 98.80 ± 0.60" in said(whole, "expected")
    assert "5 cells" in said(whole, "common")
    assert "+0.71 ± 0.12 %" in said(whole, "common")
    assert "reference itself moved: 4 %" in said(whole, "common")
    assert "changed by +1.20 ± 0.90 %; the tolerance is ±3 %" in said(whole, "slope change")
    assert "beyond it: 3 %. E_n is 0.67: it agrees with" in said(whole, "slope change")
    assert "changed by +0.40 ± 0.25 daN; the tolerance is ±4 daN" in said(whole, "offset change")
    assert "jumped, rather than moved slowly or not at all: 2 %" in said(whole, "jump")
    assert "2025-03-11 alone: slope +2.10 ± 0.90 %" in said(whole, "against previous")
    assert "2022-03-10 alone: slope +2.90 ± 0.90 %" in said(whole, "against first")
    assert "slope's, 3 %, which stays below 20 %: the verdict is within." in said(whole, "verdict")
    assert "+0.7 % a year" in said(whole, "trend")
    assert "leave its tolerance in 2028, at the earliest on 2027-02-01." in said(whole, "trend")


def test_days_are_those_of_the_dealers_yard():
    """Local days by the standard library's `zoneinfo` on the IANA time zone database."""
    morning = "2025-03-10T20:30:00Z"  # the 11th in Auckland, the 10th in Warsaw
    whole = answer(
        against_previous=against(2.1, performed_at=morning),
        against_first=against(2.9, performed_at=morning),
    )

    def days(zone):
        steps = explain(whole, ZoneInfo(zone))
        return {
            day
            for step in steps
            if step["step"] in ("expected", "against previous", "against first")
            for day in re.findall(r"20\d\d-\d\d-\d\d", step["says"])
        }

    assert days("Pacific/Auckland") == {"2025-03-11"}
    assert days("Europe/Warsaw") == {"2025-03-10"}


def test_every_step_is_whole_and_changes_nothing():
    whole = answer()
    steps = explain(whole, UTC)
    assert whole == answer()
    for step in steps:
        assert set(step) == {"step", "says", "formula", "source"}
        assert step["says"].endswith(".")
        assert bool(step["formula"]) == bool(step["source"])
        assert not re.search(r"\bNone\b|\bnan\b|\{|\}|  ", step["says"])


def test_seasons_are_counted_where_the_answer_counts_them():
    whole = answer(against_expected=expected(seasons=3))
    assert "(3 earlier seasons) led one" in said(whole, "expected")


def test_a_first_calibration_has_nothing_to_compare_with():
    first = answer(
        against_expected={}, against_previous={}, against_first={},
        trend={"slope_pct_per_year": None, "expected_crossing": None, "earliest_crossing": None},
    )  # fmt: skip
    assert names(first) == ["points", "line", "verdict"]
    assert "nothing to compare it with, so the verdict is within" in said(first, "verdict")


@pytest.mark.parametrize(
    ("off", "verdict", "size"), [(2.0, "within", "1.11"), (9.0, "watch", "5")]
)
def test_a_first_calibration_of_a_tagged_cell_is_only_watched(off, verdict, size):
    first = answer(
        against_expected=expected(common_members=0) | against(off, p_slope=0.9, p_offset=0.0),
        against_previous={}, against_first={}, verdict=verdict,
    )  # fmt: skip
    assert "the cell's tag led one to expect" in said(first, "expected")
    assert "The slope is off the cell's tag by" in said(first, "slope change")
    assert f"E_n is the slope's, {size}" in said(first, "verdict")
    assert f"the verdict is {verdict}" in said(first, "verdict")
    assert "common" not in names(first)


def test_a_superseded_one_is_not_judged():
    replaced = answer(
        superseded_by="c0ffee", verdict=None, tolerance={}, against_expected={},
        against_previous={}, against_first={},
        trend={"slope_pct_per_year": None, "expected_crossing": None, "earliest_crossing": None},
    )  # fmt: skip
    assert names(replaced) == ["points", "line", "verdict"]
    assert "A later record replaces this one" in said(replaced, "verdict")
    waiting = replaced | {"superseded_by": None, "fit": {}}
    assert names(waiting) == ["points", "verdict"]
    assert "not judged yet" in said(waiting, "verdict")


def test_many_points_tell_their_scatter_and_figures():
    loads = [0, 50, 100, 150, 100, 50, 0]
    points = [
        {"load": load, "reading": 20000 + 100 * load, "direction": "up" if i < 4 else "down"}
        for i, load in enumerate(loads)
    ]
    fit = answer()["fit"] | {"degrees_of_freedom": 5, "residual_sd": 12.3, "birge_ratio": 2.5}
    figures = {
        "terminal_nonlinearity_pct": 0.31, "best_fit_nonlinearity_pct": -0.2,
        "hysteresis_pct": 0.11, "repeatability_pct": None, "zero_return_pct": 0.05,
        "curve_order": 2, "p_quadratic": 0.003, "bend_pct": 0.28,
    }  # fmt: skip
    many = answer(points=points, fit=fit, figures=figures)
    assert "7 points at 4 loads from 0 to 150 daN, going up and down." in said(many, "points")
    assert "5 degrees of freedom" in said(many, "line")
    assert "12.3 count (standard deviation): that is 2.5 times" in said(many, "line")
    calm = many | {"fit": fit | {"birge_ratio": 0.8}}
    assert "no more than the readings' uncertainties allow" in said(calm, "line")
    bare = many | {"fit": fit | {"birge_ratio": 1.0}}
    assert "that alone gives" in said(bare, "line")
    assert "hysteresis 0.11, zero return 0.05" in said(many, "figures")
    assert "repeatability" not in said(many, "figures")
    assert "a quadratic, which bends by 0.28 %" in said(many, "figures")


def test_the_verdict_says_which_chance_reached_which_threshold():
    beyond = answer(
        verdict="beyond", flags=[{"kind": "offset", "level": "beyond"}],
        against_expected=expected(p_out_slope=0.1, p_out_offset=0.83),
    )  # fmt: skip
    reached = said(beyond, "verdict")
    assert "the offset's, 83 %, which reaches 50 %: the verdict is beyond" in reached
    assert "Flags: offset (beyond)." in reached
    watch = answer(verdict="watch", against_expected=expected(p_out_slope=0.3))
    assert "the slope's, 30 %, which reaches 20 %: the verdict is watch" in said(watch, "verdict")


def test_a_watch_that_the_chance_alone_would_not_give_is_explained():
    slow = answer(verdict="watch", against_first=against(4.1, p_slope=0.9, performed_at=FIRST_DAY))
    assert "added up since 2022-03-10" in said(slow, "verdict")
    assert "chance of 90 %, so the verdict is watch" in said(slow, "verdict")
    moved = answer(
        verdict="watch", against_expected=expected(reference_moved=0.97, common_change_pct=-1.6)
    )
    assert "reference has moved with a chance of 97 %" in said(moved, "verdict")
    back = expected(
        reference_moved=0.97, common_change_pct=-1.6, reference_returned_pct=1.63, p_out_slope=0.1
    )
    assert "reference" not in said(answer(against_expected=back), "verdict")
    older = answer(verdict="beyond")
    assert "judged by other thresholds, until the next scan" in said(older, "verdict")


@pytest.mark.parametrize("moved", [0.0, 0.6])
@pytest.mark.parametrize("p_first", [0.0, 0.79, 0.8])
@pytest.mark.parametrize("p_now", [0.0, 0.19, 0.2, 0.49, 0.5, 1.0])
def test_the_printed_rule_gives_the_verdict_by_the_printed_limits(p_now, p_first, moved):
    """A reader with the rule on paper and the record's numbers comes to the record's verdict."""
    numbers = expected(p_out_offset=p_now, reference_moved=moved, common_change_pct=2.0)
    given = answer(
        verdict="within", against_expected=numbers,
        against_first=against(p_slope=p_first, p_offset=0.1, performed_at=FIRST_DAY),
    )  # fmt: skip
    words = ruling.rule(given)
    beyond, watch, since, reference = (
        float(found) / 100.0 for found in re.findall(r"at least (\d+) %", words)
    )
    watched = p_now >= watch or p_first >= since or moved >= reference
    given["verdict"] = "beyond" if p_now >= beyond else "watch" if watched else "within"
    assert ruling.rule(given) == words
    assert deciding.ground(given) != deciding.OLDER
    assert ruling.reached(given, partial(day, UTC)).endswith(f"the verdict is {given['verdict']}.")
    if given["verdict"] == "beyond":
        assert deciding.ground(given | {"verdict": "watch"}) == deciding.OLDER


def test_the_rule_of_a_first_calibration_is_another_one():
    first = answer(
        against_expected=expected(p_out_slope=0.51), against_previous={}, against_first={},
    )  # fmt: skip
    assert "E_n of slope or offset is above 2.5" in ruling.rule(first)
    assert "at least" not in ruling.rule(first)
    assert "p of slope" not in ruling.rule(first)
    alone = first | {"against_expected": {}}
    assert (
        ruling.rule(alone)
        == "A record is judged against those before it, or its cell's tag or lot."
    )


def test_without_an_expectation_the_calibration_before_is_what_it_rests_on():
    older = answer(against_expected={})
    assert "changed by +2.10 ± 0.90 %" in said(older, "slope change")
    assert said(older, "slope change").endswith("the one before.")


def test_the_worst_setpoint_is_told():
    rows = [
        {"setpoint": s, "true_load": s + e, "error": e, "u_error": 0.7, "error_pct": 100 * e / s}
        for s, e in ((60.0, 1.0), (152.957431946689, -9.0), (300.0, 2.0))
    ]
    felt = answer(against_previous=against(performed_at=LAST_DAY, setpoints=rows))
    assert "carried 143.96 ± 0.70 daN while the cab showed 153 daN: -5.9 %" in said(felt, "felt")
    assert "worst of 3 setpoints" in said(felt, "felt")


def test_causes_come_with_their_check_and_what_to_do():
    cause = {
        "code": "span_not_carried", "probability": 0.81, "says": "The wheel hung.",
        "check": "Lower it.",
    }  # fmt: skip
    wrong = answer(causes=[cause], against_expected=expected(learnt_from=False))
    assert said(wrong, "cause") == (
        "With a chance of 81 %: The wheel hung. To tell: Lower it. "
        "Repeat the calibration before anything is replaced."
    )
    assert "nothing is learnt from it" in said(wrong, "learnt")


def test_nothing_common_is_said_to_be_nothing():
    alone = answer(against_expected=expected(common_members=1))
    assert "No other cell tells" in said(alone, "common")


def test_chances_never_claim_certainty_nor_cross_their_limit():
    assert (chance(0.0), chance(1.0), chance(0.347)) == ("under 1 %", "over 99 %", "35 %")
    assert beside_limit(0.498, 0.5) == "50 % (a little below)"
    assert beside_limit(0.503, 0.5) == "50 % (a little above)"
    assert beside_limit(0.5, 0.5) == "50 %"


def test_sizes_and_shares_are_said_without_exponents():
    assert (digits(84_963.2), digits(0.0123456), digits(12.3)) == ("85000", "0.0123", "12.3")
    assert [brief(x) for x in (231.4, -5.88, 0.046, 1e-9)] == ["+230", "-5.9", "+0.046", "+0"]


@pytest.mark.parametrize(
    ("expected_on", "earliest_on", "words"),
    [
        (None, None, ""),
        ("2027-11-30", None, "expected to leave its tolerance on 2027-11-30."),
        ("2027-11-30", "2027-02-01",
         "expected to leave its tolerance on 2027-11-30, at the earliest on 2027-02-01."),
        ("2035-12-01", "2029-01-31",
         "expected to leave its tolerance in 2035, at the earliest in 2029."),
        ("2035-12-01", "2035-04-01", "expected to leave its tolerance in 2035."),
        ("2044-08-11", "2034-08-11",
         "not expected to leave its tolerance within 10 years, at the earliest in 2034."),
        ("2044-08-11", "2037-08-11", "not expected to leave its tolerance within 10 years."),
    ],
)  # fmt: skip
def test_a_day_ahead_is_said_no_finer_than_it_can_be_told(expected_on, earliest_on, words):
    trend = {"expected_crossing": expected_on, "earliest_crossing": earliest_on}
    found = leaving(trend, "2026-03-10T09:00:00Z")
    assert found == (words and f"With these numbers in the cab it is {words}")


def test_points_of_one_direction_are_told_so():
    points = [{"load": i, "reading": i, "direction": "down"} for i in range(7)]
    assert points_said(points, "N", "mV").endswith("from 0 to 6 N, going down")


# ── With what records, judging and readout make of real rows ─────────────────────────────────────


@pytest.fixture
def two(world):
    """Return the answers of two seasons of one cell: the second 2 % steeper, its zero moved."""
    TolerancePolicy.objects.create(dealer=world.dealers["A"], setpoints=[80.0], load_unit="daN")
    rows = [
        world.season("A1", 2024, points=(PointDraft(0, 20000), PointDraft(100, 30000))),
        world.season("A1", 2025, points=(PointDraft(0, 20150), PointDraft(100, 30350))),
    ]
    return [readout.calibration_answer(row.calibration, SYSTEM) for row in rows]


def test_the_formulas_that_are_named_give_the_numbers_that_are_said(two):
    old, new = two
    (low, high) = new["points"]
    slope = (high["reading"] - low["reading"]) / (high["load"] - low["load"])
    assert "slope = (reading₂ - reading₁)/(load₂ - load₁)" in sources.TWO_POINTS.formula
    assert new["fit"]["slope"] == pytest.approx(slope, rel=1e-12)
    normal = NormalDist()  # Python's own, for JCGM 106:2012, 7.4
    for numbers in (new["against_expected"], new["against_previous"]):
        for name, key, tolerance in (
            ("slope", "slope_change_pct", new["tolerance"]["slope_pct"]),
            ("offset", "offset_change", new["tolerance"]["offset"]),
        ):
            change, u = numbers[key], numbers[f"u_{key}"]
            p_out = normal.cdf((change - tolerance) / u) + normal.cdf((-tolerance - change) / u)
            assert numbers[f"p_out_{name}"] == pytest.approx(p_out, rel=1e-9, abs=1e-15)
            assert numbers[f"en_{name}"] == pytest.approx(change / (2 * u), rel=1e-12)
    before = old["fit"]
    pair = new["against_previous"]
    assert pair["offset_change"] == pytest.approx(150 / before["slope"], rel=1e-12)
    (felt,) = pair["setpoints"]
    cab = before["offset"] + before["slope"] * felt["setpoint"]
    assert felt["true_load"] == pytest.approx((cab - new["fit"]["offset"]) / slope, rel=1e-12)
    pct = pair["slope_change_pct"], pair["u_slope_change_pct"]
    assert f"slope +{with_uncertainty(*pct, '%')}" in said(new, "against previous")
    worst = with_uncertainty(felt["true_load"], felt["u_error"], "daN")
    assert f"carried {worst} while the cab showed 80 daN" in said(new, "felt")


def test_stored_answers_read_well_from_the_first_to_the_beyond(two, world):
    first, second = two
    assert names(first) == ["points", "line", "verdict"]
    assert {"slope change", "offset change", "felt"} <= set(names(second))
    turned = world.season("A1", 2026, points=(PointDraft(0, 20000), PointDraft(100, 24000)))
    last = readout.calibration_answer(turned.calibration, SYSTEM)
    assert last["verdict"] == "beyond"
    assert "over 99 %, which reaches" in said(last, "verdict")
    assert "slope (beyond)" in said(last, "verdict")
    assert said(last, "cause").startswith("With a chance of ")


def test_a_tag_is_what_a_first_calibration_is_compared_with(world):
    world.tag("A1", span_reading=30000.0)
    row = world.season("A1", 2026).calibration
    shown = readout.calibration_answer(row, SYSTEM)
    assert deciding.is_first(shown)
    assert "off the cell's tag by" in said(shown, "slope change")
    assert said(shown, "verdict").endswith("the verdict is within.")


# ── The panel ────────────────────────────────────────────────────────────────────────────────────


def test_the_panel_escapes_what_people_typed():
    steps = explain(answer(reference_name="<b>scale</b>"), UTC)
    html = render_to_string("desk/_why.html", {"steps": steps, "method": answer()["method"]})
    assert "&lt;b&gt;scale" in html
    assert "<b>scale" not in html
    assert "style=" not in html
    assert html.count("<li>") == len(steps)


def test_the_calibration_page_says_why(world, two, settings, monkeypatch):
    without_files(settings)
    now = datetime(2026, 4, 10, 12, 0, tzinfo=UTC)
    monkeypatch.setattr("django.utils.timezone.now", lambda: now)
    monkeypatch.setattr(
        "calibration.admin.records.readout.calibration_answer",
        lambda row, scope: two[1] | {"explain": explain(two[1], UTC)},
    )
    seen = signed_in(world.users["techA"]).get(page(Calibration, "change", two[1]["id"]))
    text = seen.content.decode()
    assert "Why this verdict" in text
    assert "JCGM 106:2012" in text
    assert "led one to expect the slope" in text


def test_a_reference_that_came_back_is_said_with_what_it_had_moved_by():
    back = {"reference_returned_pct": 4.51, "common_change_pct": -4.3}
    together = said(answer(against_expected=expected(reference_moved=0.97, **back)), "common")
    assert "had moved by +4.5 % before" in together
    assert "the way back is not the cell's" in together
    assert "It is the way back from where the reference had moved." in together
    back = {"reference_returned_pct": 4.51, "common_change_pct": 0.0}
    many = said(answer(against_expected=expected(reference_moved=0.04, **back)), "common")
    assert "had moved by +4.5 % before" in many
    assert "Chance that the reference itself moved: 4 %" in many
    alone = expected(common_members=1, reference_moved=None, **back)
    assert "had moved by +4.5 % before" in said(answer(against_expected=alone), "common")


@pytest.mark.parametrize(
    ("stage", "says"), [("as_left", "left so after an adjustment"), ("as_found", "starts this")]
)
def test_what_begins_anew_says_why(stage, says):
    nothing = {"against_expected": {}, "against_previous": {}, "against_first": {}}
    assert says in said(answer(stage=stage, **nothing), "verdict")
