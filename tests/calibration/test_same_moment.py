"""Two records of one sensor that name the same moment: the one recorded last counts.

Days without an hour are common in the past records of a dealership (common practice, no source),
so an as-found, a repeat and an as-left of one day all come with the same moment.
"""

import importlib
import uuid

import pytest
from django.apps import apps

from calibration import readout
from calibration.models import DueState, Judgement, PackedHistory, StaleSensor
from calibration.readout.newest import newest_numbers
from calibration.records import PointDraft
from tests.conftest import SYSTEM

LOW, HIGH = uuid.UUID(int=1), uuid.UUID(int=2**128 - 1)
GOOD = (PointDraft(0, 20000), PointDraft(100, 30000))
FAR = (PointDraft(0, 20000), PointDraft(100, 31000))


@pytest.fixture(params=[(LOW, HIGH), (HIGH, LOW)], ids=["rising", "falling"])
def twice(world, request):
    """A far number, and then the good one, at one moment; the ids rise or fall."""
    world.season("A1", 2025)
    first, second = request.param
    far = world.season("A1", 2026, id=first, points=FAR).calibration
    return far, world.season("A1", 2026, id=second, points=GOOD).calibration


def test_the_one_recorded_last_is_the_newest_everywhere(world, twice):
    _, good = twice
    sensor = world.sensors["A1"]
    assert newest_numbers([sensor.pk])[sensor.pk]["calibration"] == str(good.pk)
    assert readout.sensor_history(sensor, SYSTEM)["calibrations"][-1]["id"] == str(good.pk)
    assert DueState.objects.get(sensor=sensor).last_calibration_id == good.pk


def test_verdicts_follow_that_order(world, twice):
    far, good = twice
    verdicts = dict(Judgement.objects.values_list("calibration", "verdict"))
    assert (verdicts[far.pk], verdicts[good.pk]) == ("beyond", "within")
    later = world.season("A1", 2027, points=GOOD).calibration
    assert later.judgement.previous_id == good.pk


def test_what_was_found_comes_before_what_was_left(world):
    left = world.season("A1", 2026, stage="as_left", points=GOOD).calibration
    answer = world.season("A1", 2026, stage="as_found", points=FAR)
    assert [row.id for row in answer.rejudged] == [left.pk]
    sensor = world.sensors["A1"]
    assert newest_numbers([sensor.pk])[sensor.pk]["calibration"] == str(left.pk)


def test_databases_of_before_have_such_sensors_judged_again(world, twice):
    world.season("A2", 2026)
    StaleSensor.objects.all().delete()
    migration = importlib.import_module("calibration.migrations.0010_in_time")
    migration.judge_anew(apps, None)
    sensor = world.sensors["A1"].pk
    assert list(StaleSensor.objects.values_list("sensor", flat=True)) == [sensor]
    assert not PackedHistory.objects.filter(sensor=sensor).exists()
