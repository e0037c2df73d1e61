"""A new record is judged on what was packed and itself; in doubt, on the records."""

from datetime import UTC, datetime

import pytest

from calibration import policies, records
from calibration.histories import recorded_of
from calibration.models import Calibration, PackedHistory
from calibration.recorded import read_recorded
from calibration.records import PointDraft
from tests.calibration.lives import resell
from tests.calibration.test_packing import assert_same, everybody
from tests.conftest import NOW, SYSTEM


@pytest.fixture
def three(world):
    for year in (2022, 2023, 2024):
        world.season("A1", year)
    return world


def key(world, which="A1"):
    return world.sensors[which].pk


def test_no_record_is_read_again(three, read):
    three.season("A1", 2025)
    three.season("A1", 2021)  # late
    three.season("A2", 2025)  # its first
    assert read == []
    assert_same(recorded_of(everybody()), read_recorded(everybody()))


def test_everything_that_a_head_holds_is_what_the_record_says(world, read):
    units = {"load_unit": "lbf", "hydraulic_pressure": 90.0, "pressure_unit": "bar"}
    points = (PointDraft(0, 20010), PointDraft(30, 24000), PointDraft(90, 32000))
    world.season("A1", 2024, points=points, reason="repair", **units)
    world.season("B1", 2023, reference=world.references["B"])
    resell(world, "B1", "A1")
    world.season("B1", 2026, points=points[:2], temperature_c=4.0)
    assert read == []
    assert_same(recorded_of(everybody()), read_recorded(everybody()))


def test_one_that_supersedes_is_noted_on_the_one_before(three, read):
    first = Calibration.objects.order_by("performed_at").first()
    three.season("A1", 2022, supersedes=first, supersede_reason="typed wrongly")
    (again,) = read  # the same moment: which comes first only the chain tells
    assert again == key(three)
    read.clear()
    when = datetime(2023, 4, 1, 9, tzinfo=UTC)
    second = Calibration.objects.order_by("performed_at")[2]
    draft = three.draft(
        "A1", performed_at=when, supersedes=second, supersede_reason="typed wrongly"
    )
    records.record_calibration(draft, scope=SYSTEM, now=NOW)
    assert read == []
    assert_same(recorded_of(everybody()), read_recorded(everybody()))
    assert recorded_of([key(three)]).heads["superseded"].sum() == 2


@pytest.mark.parametrize("loss", ["deleted", "forgotten", "short"])
def test_a_pack_that_is_not_the_whole_chain_is_not_believed(three, read, loss):
    sensor = key(three)
    if loss == "deleted":
        PackedHistory.objects.all().delete()
    elif loss == "forgotten":
        policies.mark_anew([sensor], why="test", now=NOW)
    else:
        pack = PackedHistory.objects.get(sensor=sensor)
        heads, points = bytes(pack.heads), bytes(pack.points)
        counts = recorded_of([sensor]).heads["points"].tolist()
        PackedHistory.objects.update(
            calibrations=2,
            heads=heads[: len(heads) * 2 // 3],
            points=points[: 16 * sum(counts[:2])],
        )
    three.season("A1", 2025)
    # A pack that only is not as long as the chain is continued by what it lacks.
    assert read == ([] if loss == "short" else [sensor])
    assert_same(recorded_of(everybody()), read_recorded(everybody()))


def test_of_a_batch_only_the_doubtful_are_read(three, read):
    three.season("A2", 2022)
    PackedHistory.objects.filter(sensor=key(three)).delete()
    drafts = [
        three.draft(which, performed_at=datetime(year, 3, 3, 9, tzinfo=UTC))
        for which in ("A2", "A1", "B1")
        for year in (2025, 2026)
    ]
    answers = records.record_many(drafts, scope=SYSTEM, now=NOW)
    assert all(answer.created for answer in answers)
    assert read == [key(three)]
    assert_same(recorded_of(everybody()), read_recorded(everybody()))
