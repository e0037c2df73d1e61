"""Functional tests are recorded once, judged, and flagged when they fail."""

import uuid
from datetime import UTC, datetime

import pytest

from calibration import functional, readout
from calibration.drafts import PointDraft
from calibration.functional import FunctionalDraft, StepDraft
from calibration.models import DriftFlag, FunctionalTest
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


def test_a_superseding_test_closes_the_flag(world):
    bad = functional.record_functional_test(
        draft(world, FAILED), scope=SYSTEM, now=NOW
    ).functional_test
    functional.record_functional_test(
        draft(world, supersedes=bad, supersede_reason="wrong row"), scope=SYSTEM, now=NOW
    )
    assert not DriftFlag.objects.exclude(status="closed").exists()


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"steps": GOOD[:1]}, "steps"),
        ({"steps": (GOOD[0], GOOD[0])}, "steps"),
        ({"steps": (StepDraft(0, 1), GOOD[1])}, "steps.0.commanded"),
        ({"steps": (StepDraft(5, float("nan")), GOOD[1])}, "steps.0.displayed_mean"),
        ({"steps": (StepDraft(5, 5, observed="wobbly"), GOOD[1])}, "steps.0.observed"),
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
