"""Overdue flags: what the database finds to do is what looking at every sensor would find."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from calibration import due, flags, overdue
from calibration.flags import FlagChange
from calibration.models import DriftFlag, DueState
from tests.conftest import NOW


@pytest.fixture
def seated(world):
    """Two calibrated sensors, the other six never; nobody is late yet."""
    world.season("A1", 2026)
    world.season("B1", 2026)
    due.catch_up(now=NOW)
    DueState.objects.update(due_on=date(2030, 1, 1))
    return world


def is_due(world, which, day):
    DueState.objects.filter(sensor=world.sensors[which]).update(due_on=day)


def late(world):
    """The sensors with an open flag, by name."""
    still_open = DriftFlag.objects.filter(kind="overdue").exclude(status="closed")
    ids = set(still_open.values_list("sensor", flat=True))
    return {name for name, sensor in world.sensors.items() if sensor.pk in ids}


@pytest.mark.parametrize("which", ["A1", "A2"])  # calibrated, and never calibrated
def test_a_flag_opens_the_day_after_and_stays_as_it_is(seated, which):
    is_due(seated, which, NOW.date())
    assert overdue.settle_overdue(now=NOW) == FlagChange()
    assert overdue.settle_overdue(now=NOW + timedelta(days=3)) == FlagChange(opened=1)
    flag = DriftFlag.objects.get(kind="overdue")
    assert (flag.sensor, flag.magnitude) == (seated.sensors[which], 3.0)
    state = DueState.objects.get(sensor=flag.sensor)
    assert flag.calibration_id == state.last_calibration_id
    before = list(DriftFlag.objects.values_list())
    with CaptureQueriesContext(connection) as queries:
        assert overdue.settle_overdue(now=NOW + timedelta(days=9)) == FlagChange()
    assert list(DriftFlag.objects.values_list()) == before
    assert all(query["sql"].startswith("SELECT") for query in queries)
    assert len(queries) <= 5 + 2  # dealers, missing and gone, and one more day in between


@pytest.mark.parametrize("which", ["A1", "A2"])
def test_a_flag_closes_when_the_day_moves_or_the_sensor_goes_and_opens_again(seated, which):
    is_due(seated, which, date(2026, 4, 1))
    assert overdue.settle_overdue(now=NOW).opened == 1
    is_due(seated, which, NOW.date())
    assert overdue.settle_overdue(now=NOW) == FlagChange(closed=1)
    is_due(seated, which, date(2026, 4, 1))
    assert overdue.settle_overdue(now=NOW) == FlagChange(opened=1)
    DueState.objects.filter(sensor=seated.sensors[which]).delete()
    assert overdue.settle_overdue(now=NOW) == FlagChange(closed=1)
    assert overdue.settle_overdue(now=NOW) == FlagChange()
    assert DriftFlag.objects.filter(kind="overdue").count() == 1


def test_a_flag_of_an_earlier_calibration_gives_way_to_the_next(seated):
    is_due(seated, "A1", date(2026, 4, 1))
    overdue.settle_overdue(now=NOW)
    seated.season("A1", 2026, performed_at=NOW)
    is_due(seated, "A1", date(2026, 5, 1))
    assert overdue.settle_overdue(now=NOW + timedelta(days=60)) == FlagChange(opened=1, closed=1)
    still_open = DriftFlag.objects.get(kind="overdue", status="open")
    assert still_open.calibration.performed_at == NOW


def test_what_a_person_closed_is_not_opened_again(seated):
    is_due(seated, "A1", date(2026, 4, 1))
    overdue.settle_overdue(now=NOW)
    flag = DriftFlag.objects.get(kind="overdue")
    flags.close(flag, user_id=seated.users["managerA"].pk, reason="sold", now=NOW)
    with CaptureQueriesContext(connection) as queries:
        assert overdue.settle_overdue(now=NOW) == FlagChange()
    assert len(queries) <= 7  # nobody is looked at again
    assert late(seated) == set()


def test_each_dealer_has_its_own_today(seated):
    """At 10:30 UTC it is tomorrow in Kiritimati (+14) and still yesterday in Pago Pago (-11)."""
    north, south = seated.dealers["A"], seated.dealers["B"]
    north.timezone, south.timezone = "Pacific/Kiritimati", "Pacific/Pago_Pago"
    north.save()
    south.save()
    at = datetime(2026, 6, 10, 10, 30, tzinfo=UTC)
    for letter in "AB":
        for which, day in (("1", 8), ("1b", 9), ("2", 10), ("2b", 11)):
            is_due(seated, letter + which, date(2026, 6, day))
    assert overdue.settle_overdue(now=at).opened == 4
    assert late(seated) == {"A1", "A1b", "A2", "B1"}  # today: 11 June and 9 June
    assert overdue.settle_overdue(now=at) == FlagChange()
    is_due(seated, "A2", date(2026, 6, 11))  # due today there: no longer late
    assert overdue.settle_overdue(now=at) == FlagChange(closed=1)
    assert overdue.settle_overdue(now=at + timedelta(days=1)).opened == 3
    assert late(seated) == {"A1", "A1b", "A2", "A2b", "B1", "B1b"}


def test_nothing_is_late_where_nobody_is(db):
    assert overdue.settle_overdue(now=NOW) == FlagChange()
