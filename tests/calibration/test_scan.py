"""The scan: judges what changed and nobody else; twice in a row it changes nothing."""

import random
from datetime import UTC, datetime, timedelta

import pytest

from calibration import fleetwide, judging, learning, policies, readout, records
from calibration.models import (
    Calibration,
    DriftFlag,
    DueState,
    Fit,
    Judgement,
    LotPrior,
    PackedHistory,
    ReferenceStandard,
    ScanRun,
    StaleSensor,
    TolerancePolicy,
)
from calibration.records import PointDraft
from calibration.scan import run_scan, scan_result
from tests.conftest import NOW, SYSTEM


def rows():
    """Return all derived rows, as plain tuples."""
    models = (Fit, Judgement, DueState)
    found = {model.__name__: sorted(map(str, model.objects.values_list())) for model in models}
    flags = DriftFlag.objects.exclude(status="closed")
    names = ("calibration_id", "kind", "level", "magnitude", "p_out", "causes", "status")
    return found | {"flags": sorted(map(str, flags.values_list(*names)))}


def random_history(world, seed, count=40):
    rng = random.Random(seed)
    names = sorted(world.sensors)
    for _ in range(count):
        when = datetime(
            rng.choice([2022, 2023, 2024, 2025, 2026]), 3, rng.randint(1, 28), 9, tzinfo=UTC
        )
        zero, span = 20000 + rng.gauss(0, 150), 10000 * (1 + rng.gauss(0, 0.03))
        which = rng.choice(names)
        reference = world.references[which[0]] if rng.random() < 0.7 else None
        records.record_calibration(
            world.draft(
                which,
                performed_at=when,
                reference=reference,
                reason=rng.choice(["seasonal"] * 8 + ["repair"]),
                points=(PointDraft(0, zero), PointDraft(100, zero + span)),
            ),
            scope=SYSTEM,
            now=NOW,
        )


@pytest.mark.parametrize("seed", range(4))
def test_a_full_scan_gives_the_rows_of_the_incremental_ones(world, seed, monkeypatch):
    # A full scan learns anew what the fleet teaches: here both use the same.
    random_history(world, seed, 30)
    run_scan(full=True, now=NOW)
    monkeypatch.setattr(learning, "learn", lambda **_: [])
    random_history(world, seed + 100, 15)
    run_scan(now=NOW)
    incremental = rows()
    Fit.objects.all().delete()
    PackedHistory.objects.all().delete()
    Judgement.objects.all().delete()
    DueState.objects.all().delete()
    DriftFlag.objects.all().delete()
    run_scan(full=True, now=NOW)
    assert rows() == incremental
    assert incremental["flags"]


def test_a_second_scan_changes_nothing(world):
    random_history(world, 9)
    run_scan(full=True, now=NOW)
    before = rows()
    again = run_scan(full=True, now=NOW + timedelta(hours=1))
    assert rows() == before
    assert (again.flags_opened, again.flags_closed) == (0, 0)
    assert judging.judge([world.sensors["A1"].pk], now=NOW).rows_written == 0


def test_the_nightly_scan_judges_what_changed_and_nobody_else(world):
    random_history(world, 3)
    run_scan(now=NOW)
    assert run_scan(now=NOW).judged == 0
    policies.mark_stale([world.sensors["A1"].pk], why="test", now=NOW)
    assert run_scan(now=NOW).judged == 1
    assert not StaleSensor.objects.exists()


def test_a_tighter_policy_flags_after_the_next_scan(world):
    world.season("A1", 2025)
    world.season("A1", 2026, points=(PointDraft(0, 20000), PointDraft(100, 30200)))
    assert not DriftFlag.objects.filter(level="beyond", kind="slope").exists()
    run_scan(now=NOW)
    policy = TolerancePolicy.objects.create(
        sensor_model=world.sensor_model, slope_tolerance_pct=0.5, setpoints=[50], load_unit="daN"
    )
    policies.mark_rule_changed(policy, now=NOW)
    assert run_scan(now=NOW).flags_opened == 1
    assert DriftFlag.objects.get(kind="slope").level == "beyond"


def test_one_sensor_that_cannot_be_judged_is_reported_and_the_others_are_judged(
    world, monkeypatch
):
    random_history(world, 5)
    poisoned = world.sensors["A2"].pk
    original = judging.outcomes_of

    def outcomes_of(recorded, **asked):
        if poisoned in recorded.sensor:
            raise ValueError("poison")
        return original(recorded, **asked)

    monkeypatch.setattr(judging, "outcomes_of", outcomes_of)
    run = run_scan(full=True, now=NOW)
    assert [item["sensor"] for item in run.failed] == ["S-A2"]
    assert run.judged == run.sensors - 1
    assert set(scan_result(run)) == {
        "sensors", "judged", "flags_opened", "flags_closed", "seconds", "failed",
    }  # fmt: skip


def test_overdue_sensors_are_flagged_once_and_cleared_by_a_calibration(world):
    world.season("A1", 2024)
    run_scan(full=True, now=NOW)
    flag = DriftFlag.objects.get(sensor=world.sensors["A1"], kind="overdue")
    assert flag.status == "open"
    run_scan(full=True, now=NOW + timedelta(days=1))
    assert DriftFlag.objects.filter(sensor=world.sensors["A1"], kind="overdue").count() == 1
    world.season("A1", 2026)
    run_scan(now=NOW + timedelta(days=1))
    flag.refresh_from_db()
    assert flag.status == "closed"


def test_a_reference_that_moved_is_named_and_its_cells_are_not_blamed(world):
    """Four cells calibrated with one scale on one day, all 5 % off."""
    cells = ["A1", "A1b", "A2", "A2b"]
    reference = world.references["A"]
    for which in cells:
        world.season(which, 2025, reference=reference)
    for which in cells:
        world.season(
            which, 2026, reference=reference, points=(PointDraft(0, 20000), PointDraft(100, 30500))
        )
    run_scan(now=NOW)
    flags = DriftFlag.objects.filter(calibration__reference=reference).exclude(status="closed")
    assert flags.filter(kind="reference").count() == 1
    assert not flags.filter(kind="slope", level="beyond").exists()
    tops = {flag.causes[0]["code"] for flag in flags}
    assert tops == {"common_reference"}
    said = readout.calibration_answer(flags[0].calibration, SYSTEM)["against_previous"]
    assert "setpoints" not in said  # nothing of it was felt at the wheel
    rows = fleetwide.affected_by(reference, scope=SYSTEM)
    touched = [row for row in rows["calibrations"] if row["season"] == 2026]
    assert [row["verdict_as_measured"] for row in touched] == ["beyond"] * 4
    assert [row["verdict"] for row in touched] == ["watch"] * 4
    assert all(abs(row["corrected_slope_change_pct"]) < 1 for row in touched)
    assert rows["moved_together"][0]["common_slope_change_pct"] == pytest.approx(5, abs=0.5)


def test_what_a_person_closed_stays_closed(world):
    from calibration import flags

    world.season("A1", 2025)
    world.season("A1", 2026, points=(PointDraft(0, 20000), PointDraft(100, 30500)))
    flag = DriftFlag.objects.get(kind="slope")
    flags.close(flag, user_id=world.users["managerA"].pk, reason="cell replaced", now=NOW)
    run_scan(full=True, now=NOW)
    flag.refresh_from_db()
    assert flag.status == "closed"
    assert Calibration.objects.count() == 2
    assert ScanRun.objects.count() == 1


def test_a_wrong_record_does_not_make_the_next_right_one_look_wrong(world):
    """A unit slip in one season: flagged itself, and nothing is learnt from it."""
    for year in (2022, 2023, 2024):
        world.season("A1", year)
    slip = world.season("A1", 2025, points=(PointDraft(0, 20000), PointDraft(100, 24536)))
    after = world.season("A1", 2026, points=(PointDraft(0, 20010), PointDraft(100, 30015)))
    judgement = Judgement.objects.get(pk=slip.calibration.pk)
    assert judgement.verdict == "beyond"
    assert judgement.causes[0]["code"] == "unit_slip"
    assert not judgement.trusted
    assert Judgement.objects.get(pk=after.calibration.pk).verdict == "within"


def test_a_change_that_comes_back_is_believed(world):
    """What the next season confirms was the cell, not a slip; the next season is no surprise."""
    for year in (2022, 2023, 2024):
        world.season("A1", year)
    moved = (PointDraft(0, 20000), PointDraft(100, 28700))
    first = world.season("A1", 2025, points=moved).calibration
    again = world.season("A1", 2026, points=moved).calibration
    assert Judgement.objects.get(pk=first.pk).verdict == "beyond"
    assert Judgement.objects.get(pk=first.pk).trusted
    assert Judgement.objects.get(pk=again.pk).verdict == "within"


def test_siblings_that_share_a_changed_reference_are_not_called_drifted(world):
    """The new scale of the dealer shows 2.5 % less everywhere; one cell really moved."""
    new = ReferenceStandard.objects.create(
        dealer=world.dealers["A"], name="scale 2", relative_uncertainty_pct=2.0
    )
    cells = ["A1", "A1b", "A2", "A2b"]
    for number in range(4):
        cells.append(f"A{number + 3}")
        world.add_sensor(f"A{number + 3}")
    for which in cells:
        for year in (2023, 2024, 2025):
            world.season(which, year, reference=world.references["A"])
    for which in cells:
        span = 9200 if which == "A2" else 9750
        world.season(
            which,
            2026,
            reference=new,
            points=(PointDraft(0, 20000), PointDraft(100, 20000 + span)),
        )
    run_scan(now=NOW)
    slope = DriftFlag.objects.filter(kind="slope", level="beyond").exclude(status="closed")
    assert [flag.sensor.serial for flag in slope] == ["S-A2"]


def test_a_new_cell_without_a_tag_is_compared_with_its_siblings(world):
    """Five siblings of one lot agree; the sixth is entered with its load in the wrong unit."""
    names = [f"A{number}" for number in range(3, 10)]
    for name in names:
        world.add_sensor(name, lot="L7")
    for name in names[:-2]:
        world.season(name, 2026, reason="commissioning")
    run_scan(full=True, now=NOW)
    assert LotPrior.objects.get(lot="L7").slope == pytest.approx(10.0)  # 100 a daN, 10 a newton
    usual = world.season(names[-2], 2026, reason="commissioning", load_unit="kgf").calibration
    assert Judgement.objects.get(pk=usual.pk).verdict == "within"  # 2 %: as siblings differ
    wrong = world.draft(names[-1], reason="commissioning", load_unit="lbf")
    answer = records.check_calibration(wrong, scope=SYSTEM, now=NOW)
    assert answer["verdict"] == "watch"
    assert answer["causes"][0]["code"] == "unit_slip"
