"""The one write path: sealed, fitted, judged, flagged, due; the same twice is one."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest

from calibration import readout, records
from calibration.models import Calibration, DriftFlag, DueState
from calibration.records import PointDraft
from fleet import registry
from fleet.errors import Conflict, Forbidden, Invalid
from tests.conftest import NOW, SYSTEM


def line(zero, span):
    return (PointDraft(0, zero), PointDraft(100, span))


def test_a_season_later_the_change_is_judged(world):
    world.season("A1", 2025)
    later = world.season("A1", 2026, points=line(20000, 30500)).calibration
    answer = readout.calibration_answer(later, SYSTEM)
    # 100 -> 105 counts per daN: 5 % by hand.
    assert answer["against_previous"]["slope_change_pct"] == pytest.approx(5.0, rel=1e-12)
    assert answer["fit"]["slope"] == pytest.approx(105.0, rel=1e-12)
    assert answer["verdict"] == "beyond"
    assert answer["flags"][0]["kind"] == "slope"
    assert answer["causes"]
    assert answer["next_due"] == "2027-03-10"


def test_offset_change_is_in_load_units(world):
    world.season("A1", 2025)
    later = world.season("A1", 2026, points=line(21000, 31000)).calibration
    answer = readout.calibration_answer(later, SYSTEM)
    assert answer["against_previous"]["offset_change"] == pytest.approx(10.0, rel=1e-12)
    assert [flag["kind"] for flag in answer["flags"]] == ["offset"]


def test_an_unchanged_sensor_is_within_and_unflagged(world):
    world.season("A1", 2025)
    later = world.season("A1", 2026, points=line(20010, 30020)).calibration
    assert later.judgement.verdict == "within"
    assert not DriftFlag.objects.exists()


def test_the_same_record_twice_is_one(world):
    draft = world.draft(id=uuid.uuid4())
    first = records.record_calibration(draft, scope=SYSTEM, now=NOW)
    again = records.record_calibration(draft, scope=SYSTEM, now=NOW + timedelta(hours=1))
    assert (first.created, again.created) == (True, False)
    assert again.calibration.digest == first.calibration.digest
    assert Calibration.objects.count() == 1


def test_a_bench_record_sent_again_after_its_sensor_was_installed_is_still_one(world):
    bench = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="S-BENCH", model=world.sensor_model
    )
    draft = world.draft(id=uuid.uuid4(), sensor=bench)
    assert records.record_calibration(draft, scope=SYSTEM, now=NOW).created
    registry.install_sensor(
        scope=SYSTEM,
        sensor=bench,
        machine=world.machines["A1"],
        position="row 4",
        installed_on=NOW.date(),
    )
    assert not records.record_calibration(draft, scope=SYSTEM, now=NOW).created


def test_other_content_under_the_same_id_is_refused(world):
    draft = world.draft(id=uuid.uuid4())
    records.record_calibration(draft, scope=SYSTEM, now=NOW)
    other = world.draft(id=draft.id, points=line(20000, 30001))
    with pytest.raises(Conflict, match="other content"):
        records.record_calibration(other, scope=SYSTEM, now=NOW)


def test_a_new_segment_is_not_compared_with_the_old_one(world):
    world.season("A1", 2025)
    later = world.season("A1", 2026, reason="repair", points=line(15000, 24000)).calibration
    assert later.judgement.previous_id is None
    assert later.judgement.segment == 2
    assert later.judgement.verdict == "within"


def test_a_late_older_record_rejudges_the_later_one(world):
    later = world.season("A1", 2026, points=line(20000, 30500)).calibration
    assert later.judgement.verdict == "within"
    world.season("A1", 2025)
    later.judgement.refresh_from_db()
    assert later.judgement.verdict == "beyond"


def test_a_superseded_record_takes_no_part(world):
    wrong = world.season("A1", 2025, points=line(20000, 24536)).calibration
    world.season(
        "A1",
        2025,
        supersedes=wrong,
        supersede_reason="load was typed in lb",
        points=line(20000, 30000),
    )
    later = world.season("A1", 2026).calibration
    assert later.judgement.verdict == "within"
    assert not DriftFlag.objects.exclude(status="closed").exists()
    with pytest.raises(Conflict, match="superseded already"):
        world.season("A1", 2025, supersedes=wrong, supersede_reason="again")


def test_check_stores_nothing(world):
    world.season("A1", 2025)
    answer = records.check_calibration(
        world.draft(points=line(20000, 30500)), scope=SYSTEM, now=NOW
    )
    assert answer["verdict"] == "beyond"
    assert answer["stored"] is False
    assert Calibration.objects.count() == 1
    assert not DriftFlag.objects.exists()


def test_due_day_follows_the_record(world):
    world.season("A1", 2026)
    due = DueState.objects.get(sensor=world.sensors["A1"])
    assert str(due.due_on) == "2027-03-10"
    assert due.decided_by == "interval"


BAD = {
    "one point": ({"points": (PointDraft(0, 1),)}, "points"),
    "two equal loads": ({"points": (PointDraft(5, 1), PointDraft(5, 2))}, "points"),
    "off the range": ({"points": line(20000, 70000)}, "points.1.reading"),
    "not a number": ({"points": line(20000, float("nan"))}, "points.1.reading"),
    "infinite": ({"points": line(float("inf"), 1)}, "points.0.reading"),
    "huge": ({"points": line(20000, 10**400)}, "points.1.reading"),
    "falls where it rises": ({"points": line(30000, 20000)}, "points"),
    "unknown unit": ({"load_unit": "stone"}, "load_unit"),
    "unfit reading unit": ({"reading_unit": "mV"}, "reading_unit"),
    "future": ({"performed_at": NOW + timedelta(days=1)}, "performed_at"),
    "before installation": (
        {"performed_at": datetime(2019, 12, 31, tzinfo=UTC)},
        "performed_at",
    ),
    "unknown reason": ({"reason": "whim"}, "reason"),
    "pressure without unit": ({"hydraulic_pressure": 3.0}, "conditions.pressure_unit"),
    "frozen": ({"temperature_c": -273.0}, "conditions.temperature_c"),
    "control character": ({"note": "a\x00b"}, "note"),
    "reason without record": ({"supersede_reason": "typo"}, "supersedes"),
}


@pytest.mark.parametrize(("changes", "field"), BAD.values(), ids=BAD)
def test_what_cannot_be_is_refused_and_nothing_stored(world, changes, field):
    with pytest.raises(Invalid) as refused:
        records.record_calibration(world.draft(**changes), scope=SYSTEM, now=NOW)
    assert field in [problem.field for problem in refused.value.problems]
    assert all(problem.reason for problem in refused.value.problems)
    assert not Calibration.objects.exists()


def test_a_refusal_tells_the_range_exactly(world):
    """A 24 bit converter: its last step is not rounded away."""
    world.sensor_model.reading_max = 8388607.0
    world.sensor_model.save()
    draft = world.draft(points=line(20000, 8388607.5))
    with pytest.raises(Invalid) as refused:
        records.record_calibration(draft, scope=SYSTEM, now=NOW)
    (problem,) = refused.value.problems
    assert problem.accepted == "0 to 8388607 count"
    assert problem.value == "8388607.5 count"
    top = world.draft(points=line(20000, 8388607.0))
    assert records.record_calibration(top, scope=SYSTEM, now=NOW).created


def test_another_dealers_technician_may_not_record(world):
    with pytest.raises(Forbidden):
        records.record_calibration(world.draft("A1"), scope=world.scopes["techB"], now=NOW)


def test_many_are_stored_or_refused_one_by_one(world):
    drafts = [world.draft(), world.draft(points=line(1, 1)), world.draft("A2")]
    outcomes = records.record_many(drafts, scope=SYSTEM, now=NOW)
    assert [isinstance(outcome, records.Recorded) for outcome in outcomes] == [True, False, True]
    assert Calibration.objects.filter(judgement__isnull=False).count() == 2
