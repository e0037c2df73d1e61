"""What differs from the stored due days is found without being written."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from calibration import calendars, due
from calibration.due import reading
from calibration.models import DueState, Reminder, TolerancePolicy
from fleet import registry
from tests.conftest import NOW, SYSTEM


def newest(world):
    return reading.newest_of(np.array(sorted(sensor.pk for sensor in world.sensors.values())))


def keys(world, *which):
    return sorted(world.sensors[name].pk for name in which)


def test_what_differs_is_named_and_what_was_refreshed_is_not(world):
    everybody = sorted(sensor.pk for sensor in world.sensors.values())
    assert due.differing(newest(world)).tolist() == everybody
    due.refresh(everybody, now=NOW)
    assert due.differing(newest(world)).tolist() == []


@pytest.mark.parametrize("dense", [True, False])
def test_each_kind_of_difference_is_found(world, monkeypatch, dense):
    monkeypatch.setattr("calibration.columns.conditions._CLOSE", 1000 if dense else -1)
    for which in ("A1", "A2", "B1", "B2"):
        world.season(which, 2026)
    due.catch_up(now=NOW)
    assert due.differing(newest(world)).tolist() == []
    DueState.objects.filter(sensor=world.sensors["A1b"]).delete()
    DueState.objects.filter(sensor=world.sensors["A1"]).update(due_on=date(2026, 12, 1))
    DueState.objects.filter(sensor=world.sensors["A2"]).update(decided_by="season")
    DueState.objects.filter(sensor=world.sensors["B1"]).update(last_calibration=None)
    Reminder.objects.filter(sensor=world.sensors["B2"]).delete()
    Reminder.objects.filter(sensor=world.sensors["B2b"]).update(due_on=date(2026, 12, 1))
    found = due.differing(newest(world))
    assert found.tolist() == keys(world, "A1b", "A1", "A2", "B1", "B2", "B2b")
    assert due.refresh(found.tolist(), now=NOW).changed == 6
    assert due.differing(newest(world)).tolist() == []


def test_verdicts_that_are_not_stored_yet_can_be_compared(world):
    """The scan compares with what it has just worked out, not with what is stored."""
    world.season("A1", 2026)
    due.catch_up(now=NOW)
    stored, place = newest(world), keys(world, *world.sensors).index(world.sensors["A1"].pk)
    crossing = stored.crossing.copy()
    crossing[place] = calendars.number_of(date(2026, 8, 3))
    assert due.differing(replace(stored, crossing=crossing)).tolist() == keys(world, "A1")
    crossing[place] = calendars.number_of(date(2030, 8, 3))  # after the interval: decides nothing
    assert due.differing(replace(stored, crossing=crossing)).tolist() == []


def test_a_sensor_that_sits_nowhere_is_due_nowhere(world):
    due.catch_up(now=NOW)
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2026, 4, 1)
    )
    assert due.differing(newest(world)).tolist() == keys(world, "A1")


def test_each_dealer_and_model_has_its_interval_and_calendar(world):
    TolerancePolicy.objects.create(dealer=world.dealers["B"], default_interval_days=90)
    TolerancePolicy.objects.create(sensor_model=world.sensor_model, default_interval_days=80)
    TolerancePolicy.objects.create(
        sensor_model=world.sensor_model, dealer=world.dealers["A"], default_interval_days=70
    )
    for which in ("A1", "B1"):
        world.season(which, 2026)
    due_on = dict(DueState.objects.values_list("sensor", "due_on"))
    assert due_on[world.sensors["A1"].pk] == date(2026, 3, 10) + timedelta(days=70)
    assert due_on[world.sensors["B1"].pk] == date(2026, 3, 10) + timedelta(days=80)
