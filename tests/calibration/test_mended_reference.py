"""A reference that was off and is mended, and a cell that is adjusted: as stored, and as told.

Made-up cells; no outside source, the numbers follow from the cases.
"""

from datetime import UTC, datetime, timedelta

import pytest

from calibration import readout, records
from calibration.models import Calibration, DriftFlag, Judgement, PackedHistory, StaleSensor
from calibration.records import PointDraft
from calibration.scan import run_scan
from tests.conftest import NOW, SYSTEM

CELLS = ("A1", "A1b", "A2", "A2b")
OFF = 420  # of 10,000 counts
MORNING = datetime(2026, 3, 9, 8, 0, tzinfo=UTC)


def measured(world, which, at, rise=0, **more):
    """Record one cell with the dealer's reference; the reading at the span is off by `rise`."""
    draft = world.draft(
        which, performed_at=at, reference=world.references["A"],
        points=(PointDraft(0, 20000), PointDraft(100, 30000 + rise)), **more,
    )  # fmt: skip
    return records.record_calibration(draft, scope=SYSTEM, now=max(NOW, at)).calibration


def day(world, at, rise):
    """Record the four cells, half an hour after one another, a little unlike."""
    rows = [
        measured(world, which, at + timedelta(minutes=30 * i), rise + 3 * i)
        for i, which in enumerate(CELLS)
    ]
    records.judge_sealed([world.sensors[which].pk for which in CELLS], now=NOW)
    return rows


@pytest.fixture
def off(world):
    """Four cells of which the newest calibrations were made while the reference was off."""
    day(world, MORNING.replace(year=2024), 0)
    day(world, MORNING.replace(year=2025), 5)
    return day(world, MORNING, OFF)


def stored():
    names = ("verdict", "expected_slope_change_pct", "reference_returned_pct", "causes")
    return list(Judgement.objects.order_by("pk").values("pk", *names))


def standing():
    """What flags say of calibrations and is not closed."""
    rows = DriftFlag.objects.exclude(status=DriftFlag.Status.CLOSED)
    return list(rows.filter(calibration__isnull=False).values_list("calibration", "kind"))


def said(calibration):
    """What explains a verdict."""
    (answer,) = readout.answers(Calibration.objects.filter(pk=calibration.pk), SYSTEM)
    return " ".join(step["says"] for step in readout.explain(answer, UTC))


def test_one_cell_alone_is_within_when_the_reference_is_good_again(world, off):
    again = measured(world, "A1", MORNING + timedelta(days=1), 4)
    row = again.judgement
    assert row.verdict == "within"
    assert row.reference_returned_pct == pytest.approx(100.0 * OFF / 10_000, abs=0.3)
    assert abs(row.expected_slope_change_pct) < 0.5
    assert not DriftFlag.objects.filter(calibration=again).exists()
    assert "The reference had moved by +4." in said(again)


@pytest.mark.parametrize("cells", [1, 2, 4])
def test_a_full_scan_says_the_same_as_the_posts(world, off, cells):
    for i, which in enumerate(CELLS[:cells]):
        measured(world, which, MORNING + timedelta(days=1, minutes=30 * i), 4 * i)
    run_scan(now=NOW)
    before = stored()
    assert sum(row["reference_returned_pct"] is not None for row in before) == cells
    flags = standing()
    PackedHistory.objects.all().delete()
    StaleSensor.objects.all().delete()
    run_scan(full=True, now=NOW)
    assert stored() == before
    assert standing() == flags
    assert [kind for _, kind in flags] == [DriftFlag.Kind.REFERENCE]


def test_numbers_of_a_reference_that_was_off_are_in_doubt_and_the_next_expected_from_others(
    world, off
):
    sensors = [world.sensors[which].pk for which in CELLS]
    last, believed = readout.last_and_believed(sensors)
    assert {last[key]["doubt"]["code"] for key in sensors} == {"common_reference"}
    assert all(last[key]["doubt"]["probability"] > 0.9 for key in sensors)
    assert {believed[key]["season"] for key in sensors} == {2025}
    again = measured(world, "A1", MORNING + timedelta(days=1), 4)
    last, believed = readout.last_and_believed(sensors)
    key = world.sensors["A1"].pk
    assert last[key]["doubt"] is None
    assert believed[key]["calibration"] == last[key]["calibration"] == str(again.pk)


def test_what_was_left_adjusted_raises_no_flag_and_says_so(world):
    for year in (2024, 2025):
        measured(world, "A1", MORNING.replace(year=year))
    found = measured(world, "A1", MORNING, OFF)
    left = measured(world, "A1", MORNING + timedelta(hours=1), 10, stage="as_left")
    assert (found.judgement.verdict, left.judgement.verdict) == ("beyond", "within")
    assert left.judgement.segment == found.judgement.segment + 1
    assert standing() == [(found.pk, "slope")]
    assert "left so after an adjustment" in said(left)
    after = measured(world, "A1", MORNING.replace(year=2027), 12)
    assert after.judgement.verdict == "within"
    assert after.judgement.previous_id == left.pk
    run_scan(full=True, now=NOW)
    assert standing() == [(found.pk, "slope")]
