"""What is decided rests on rows as they are by then, not as they were read."""

from datetime import date, timedelta

import pytest

from calibration import flags, triage
from calibration.models import DriftFlag, Visit
from calibration.planning import appointments
from calibration.records import PointDraft
from fleet import registry
from fleet.errors import Conflict
from tests.conftest import NOW, SYSTEM


def drifted(world, which):
    world.season(which, 2025)
    world.season(which, 2026, points=(PointDraft(0, 20000), PointDraft(100, 32000)))
    return DriftFlag.objects.get(sensor=world.sensors[which], kind="slope")


def read(flag):
    return DriftFlag.objects.select_related("sensor").get(pk=flag.pk)


def test_a_note_on_a_visit_that_the_plan_moved_is_a_further_version(world):
    day = date(2026, 5, 4)
    visit = Visit.objects.create(
        customer=world.customers["A1"], season=2026, planned_on=day, due_on=day, updated_at=NOW
    )
    late = Visit.objects.get(pk=visit.pk)
    appointments.change(visit, now=NOW, planned_on=day + timedelta(days=1))
    appointments.edit(late, now=NOW, note="ring first")
    stored = Visit.objects.get(pk=visit.pk)
    assert (stored.planned_on, stored.note) == (day + timedelta(days=1), "ring first")
    assert (late.planned_on, stored.sequence) == (stored.planned_on, visit.sequence + 1)


def test_the_family_is_the_one_to_which_it_belongs_by_now(world):
    one, two, three = (drifted(world, which) for which in ("A1", "A2", "A1b"))
    scope = world.scopes["techA"]
    triage.merge([one, two], cause="reference fell", scope=scope, now=NOW)
    late = read(one)
    triage.part(read(one))
    triage.merge([read(one), three], cause="another jack", scope=scope, now=NOW)
    flags.close(late, user_id=scope.user_id, reason="seen to", now=NOW)
    assert [read(row).status for row in (one, two, three)] == ["closed", "open", "closed"]


def test_who_closed_it_is_told_to_the_dealer_who_has_it_by_now(world):
    late = drifted(world, "A1")
    assert late.sensor.dealer_id == world.dealers["A"].pk
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines["A1"], customer=world.customers["B1"]
    )
    flags.close(late, user_id=world.users["techB"].pk, reason="seen to", now=NOW)
    assert read(late).closed_for_id == world.dealers["B"].pk


def test_nobody_is_given_a_flag_that_was_closed_meanwhile(world):
    late = drifted(world, "A1")
    scope = world.scopes["techA"]
    flags.close(read(late), user_id=scope.user_id, reason="seen to", now=NOW)
    with pytest.raises(Conflict):
        triage.assign(late, person=world.users["techA"], scope=scope, now=NOW)


@pytest.fixture
def flag(world):
    return drifted(world, "A1")


def test_who_closes_a_flag_second_does_not_overwrite_the_first(world, flag):
    first, second = (world.users[name].pk for name in ("techA", "managerA"))
    late = read(flag)
    flags.close(flag, user_id=first, reason="recalibrated", now=NOW)
    assert flags.close(late, user_id=second, reason="another reason", now=NOW) == []
    stored = DriftFlag.objects.get(pk=flag.pk)
    assert (stored.closed_by_id, stored.close_reason) == (first, "recalibrated")


def test_a_flag_that_was_closed_meanwhile_is_not_acknowledged(world, flag):
    late = read(flag)
    DriftFlag.objects.filter(pk=flag.pk).update(status="closed", closed_at=NOW)
    with pytest.raises(Conflict):
        flags.acknowledge(late, user_id=world.users["techA"].pk, now=NOW)
    assert DriftFlag.objects.get(pk=flag.pk).status == "closed"


def test_a_scan_leaves_what_a_person_closed_while_it_looked(world, monkeypatch):
    flag = drifted(world, "A1")
    beside = flags._beside

    def closed_meanwhile(*asked):
        found = beside(*asked)
        flags.close(read(flag), user_id=world.users["techA"].pk, reason="cell replaced", now=NOW)
        return found

    monkeypatch.setattr(flags, "_beside", closed_meanwhile)
    flags.settle([flag.sensor_id], [flag.kind], [], now=NOW)
    stored = read(flag)
    assert (stored.status, stored.close_reason) == ("closed", "cell replaced")
    assert stored.closed_by_id == world.users["techA"].pk
