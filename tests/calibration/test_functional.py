"""Functional tests are recorded once, judged, and flagged when they fail."""

import uuid
from datetime import UTC, date, datetime

import numpy as np
import pytest

from calibration import functional, proving, readout, records
from calibration.admin import weights
from calibration.documents.flag_words import flag_words
from calibration.drafts import PointDraft
from calibration.functional import FunctionalDraft, StepDraft
from calibration.models import (
    DriftFlag,
    FunctionalTest,
    FunctionalVerdict,
    TolerancePolicy,
)
from fleet import registry
from fleet.errors import Conflict, Invalid
from tests.conftest import NOW, SYSTEM

GOOD = (StepDraft(50, 51, 47, 55, 60.0), StepDraft(100, 99, 95, 104, 80.0))
FAILED = (StepDraft(50, 70, 47, 90, 60.0, "bouncing"), StepDraft(100, 140, 95, 160, 50.0))


def draft(world, steps=GOOD, **changes):
    values = {
        "installation": world.installations["A1"],
        "performed_at": datetime(2026, 4, 1, 9, tzinfo=UTC),
        "load_unit": "daN",
        "pressure_unit": "bar",
        "steps": steps,
    }
    return FunctionalDraft(**(values | changes))


def recorded(world, steps=GOOD, **changes):
    return functional.record_functional_test(
        draft(world, steps, **changes), scope=SYSTEM, now=NOW
    ).functional_test


def test_a_good_test_passes_without_a_flag(world):
    test = functional.record_functional_test(draft(world), scope=SYSTEM, now=NOW).functional_test
    answer = readout.functional_answer(test, SYSTEM)
    assert answer["verdict"] == "pass"
    assert answer["worst_error_pct"] == pytest.approx(2.0)  # 51 for 50
    assert not DriftFlag.objects.exists()


def test_it_says_when_the_calibration_in_force_was_none_or_beyond(world):
    test = functional.record_functional_test(draft(world), scope=SYSTEM, now=NOW).functional_test

    def codes():
        test.outcome.refresh_from_db()
        return [finding["code"] for finding in test.outcome.findings]

    assert codes() == ["no_calibration"]
    world.season("A1", 2025)
    assert codes() == []
    moved = (PointDraft(0, 20000), PointDraft(100, 31000))
    world.season("A1", 2026, points=moved)
    assert codes() == ["calibration_beyond"]


def moved(world, on=date(2026, 3, 20)):
    registry.remove_sensor(scope=SYSTEM, installation=world.installations["A1"], removed_on=on)
    return registry.install_sensor(
        scope=SYSTEM, sensor=world.sensors["A1"], machine=world.machines["A2"], position="row 3",
        installed_on=on,
    )  # fmt: skip


def test_numbers_from_another_machine_are_not_in_force(world):
    world.season("A1", 2025)
    before = recorded(world, performed_at=datetime(2026, 3, 19, 9, tzinfo=UTC))
    here = moved(world)
    after = recorded(world, installation=here)

    def codes(test):
        answer = readout.functional_answer(test, SYSTEM)
        return [finding["code"] for finding in answer["findings"]]

    assert codes(before) == []
    assert codes(after) == ["no_calibration"]
    due = readout.due_answer(world.sensors["A1"])
    assert due["decided_by"] == "never_calibrated"
    # On the day of the move, on the machine where it came to.
    world.season("A1", 2026, performed_at=datetime(2026, 3, 20, 12, tzinfo=UTC))
    assert codes(after) == []
    assert codes(before) == []


@pytest.mark.parametrize(
    ("on", "codes"), [(date(2026, 3, 22), []), (date(2026, 3, 23), ["no_calibration"])]
)
def test_a_calibration_that_names_no_place_is_in_force_from_the_installation_on(world, on, codes):
    """As with due days: where a record names no place, its day decides."""
    spare = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="S-SPARE", model=world.sensor_model
    )
    made = world.draft(sensor=spare, performed_at=datetime(2026, 3, 22, 9, tzinfo=UTC))
    records.record_calibration(made, scope=SYSTEM, now=NOW)
    place = registry.install_sensor(
        scope=SYSTEM, sensor=spare, machine=world.machines["A2"], position="row 5", installed_on=on
    )
    found = readout.functional_answer(recorded(world, installation=place), SYSTEM)["findings"]
    assert [finding["code"] for finding in found] == codes


def test_a_flag_shows_the_tolerance_that_was_applied(world):
    TolerancePolicy.objects.create(
        dealer=world.dealers["A"], slope_tolerance_pct=2.0, offset_tolerance_pct=1.0
    )
    recorded(world, (StepDraft(50, 60, pressure=60.0), StepDraft(100, 104.5, pressure=80.0)))
    flag = DriftFlag.objects.get()
    # 1 % of 200 daN rated is 2 daN, and 2 % of 50 daN is 1 daN: 3 daN of 50 are 6 %.
    assert flag.magnitude == pytest.approx(20.0)
    assert flag.tolerance == pytest.approx(6.0)
    assert weights.magnitude(flag) == "+20 % (tolerance 6 %)"


def test_a_flag_of_a_pressure_fault_says_that_the_force_arrived(world):
    recorded(world, (StepDraft(50, 50.5, pressure=80.0), StepDraft(100, 100.0, pressure=60.0)))
    flag = DriftFlag.objects.get()
    assert [cause["code"] for cause in flag.causes] == ["pressure_not_rising"]
    assert abs(flag.magnitude) == pytest.approx(1.0)
    assert abs(flag.magnitude) < flag.tolerance
    for said in (
        weights.magnitude(flag),
        flag_words(flag.kind, flag.magnitude, flag.tolerance),
    ):
        assert "not by the force" in said


def test_a_failed_test_is_flagged_with_what_was_seen(world):
    test = functional.record_functional_test(
        draft(world, FAILED), scope=SYSTEM, now=NOW
    ).functional_test
    answer = readout.functional_answer(test, SYSTEM)
    codes = {finding["code"] for finding in answer["findings"]}
    assert answer["verdict"] == "fail"
    assert {"error_beyond", "bouncing", "pressure_not_rising", "proportional_error"} <= codes
    assert [flag["kind"] for flag in answer["flags"]] == ["functional"]


def test_the_same_test_twice_is_one_and_other_content_is_refused(world):
    first = draft(world, id=uuid.uuid4())
    assert functional.record_functional_test(first, scope=SYSTEM, now=NOW).created
    assert not functional.record_functional_test(first, scope=SYSTEM, now=NOW).created
    with pytest.raises(Conflict):
        functional.record_functional_test(draft(world, FAILED, id=first.id), scope=SYSTEM, now=NOW)
    assert FunctionalTest.objects.count() == 1


def test_a_superseding_test_closes_the_flag_and_takes_the_verdict(world):
    bad = recorded(world, FAILED)
    recorded(world, supersedes=bad, supersede_reason="wrong row")
    assert not DriftFlag.objects.exclude(status="closed").exists()
    answer = readout.functional_answer(bad, SYSTEM)
    assert (answer["verdict"], answer["worst_error_pct"], answer["findings"]) == (None, None, [])


def test_a_full_scan_takes_the_verdict_of_a_superseded_test(world):
    bad = recorded(world, FAILED)
    good = recorded(world, supersedes=bad, supersede_reason="wrong row")
    FunctionalVerdict.objects.create(functional_test=bad, verdict="fail", method="of old")
    sensor = np.array([bad.sensor_id])
    assert proving.differing(sensor).tolist() == [bad.sensor_id]
    proving.judge_tests([bad.sensor_id], now=NOW)
    assert proving.differing(sensor).tolist() == []
    assert list(FunctionalVerdict.objects.values_list("pk", flat=True)) == [good.pk]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"steps": GOOD[:1]}, "steps"),
        ({"steps": (GOOD[0], GOOD[0])}, "steps"),
        ({"steps": (StepDraft(0, 1), GOOD[1])}, "steps.0.commanded"),
        ({"steps": (StepDraft(5, float("nan")), GOOD[1])}, "steps.0.displayed_mean"),
        ({"steps": (StepDraft(5, 5, observed="wobbly"), GOOD[1])}, "steps.0.observed"),
        ({"steps": (StepDraft(50, 50, 51, 55), GOOD[1])}, "steps.0.displayed_min"),
        ({"steps": (GOOD[0], StepDraft(100, 99, 95, 98.9))}, "steps.1.displayed_max"),
        ({"steps": (GOOD[0], StepDraft(100, 99, displayed_max=98))}, "steps.1.displayed_max"),
        ({"steps": (StepDraft(50, 50, 55, 45), GOOD[1])}, "steps.0.displayed_min"),
        ({"load_unit": "stone"}, "load_unit"),
        ({"pressure_unit": "atm"}, "pressure_unit"),
        ({"performed_at": datetime(2019, 1, 1, tzinfo=UTC)}, "performed_at"),
    ],
)
def test_what_cannot_be_is_refused(world, changes, field):
    with pytest.raises(Invalid) as refused:
        functional.record_functional_test(draft(world, **changes), scope=SYSTEM, now=NOW)
    assert field in [problem.field for problem in refused.value.problems]
    assert not FunctionalTest.objects.exists()


def test_lowest_mean_and_highest_may_be_one_number(world):
    assert recorded(world, (StepDraft(50, 50, 50, 50), StepDraft(100, 100, 99, 100)))
