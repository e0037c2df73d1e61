"""Visits: one for each customer, on days that can be kept, and nobody forgotten.

How days are chosen is tested in `test_planning_choice.py`; here, what becomes of the rows. Working
days are numpy's business days.
"""

from collections import Counter
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection

from calibration import due, records
from calibration.models import DriftFlag, DueState, TolerancePolicy, Visit, VisitLine
from calibration.planning import plan_visits
from fleet import registry
from fleet.models import Dealer, Membership
from tests.conftest import NOW, SYSTEM, build_world
from tests.side_by_side import at_once

# NORTH's seeding starts on 20 March, SOUTH's on 1 October.
WINTER = datetime(2027, 1, 11, 9, 0, tzinfo=UTC)  # a Monday
MONDAY = date(2027, 1, 11)


def rows():
    visits = sorted(Visit.objects.values_list(), key=str)
    return visits, sorted(VisitLine.objects.values_list())


def plan(world, letter="A", now=WINTER):
    return plan_visits(now=now, dealer=world.dealers[letter])


def visit_of(world, which):
    return Visit.objects.get(
        customer=world.customers[which], status__in=["planned", "confirmed", "done"]
    )


def set_due(world, **days):
    """Give sensors a due day by an interval that ends there: calibrated that much earlier."""
    for which in days:
        world.season(which, 2026)
    due.catch_up(now=WINTER)
    for which, day in days.items():
        DueState.objects.filter(sensor=world.sensors[which]).update(due_on=day)


def calibrate(world, which, when):
    draft = world.draft(which, performed_at=when)
    return records.record_calibration(draft, scope=SYSTEM, now=when)


@pytest.fixture
def planned(world):
    """Return a world in which the four sensors of A fall due in February and March 2027."""
    set_due(
        world,
        A1=date(2027, 2, 10),
        A1b=date(2027, 3, 1),
        A2=date(2027, 3, 10),
        A2b=date(2027, 3, 10),
    )
    return world


# ── What is planned ───────────────────────────────────────────────────────────
def test_a_customers_due_machines_make_one_visit_in_its_season(planned):
    result = plan(planned)
    assert (result.planned, result.moved, result.unplanned) == (2, 0, [])
    visit = visit_of(planned, "A1")
    assert (visit.season, visit.due_on, visit.status) == (2027, date(2027, 2, 10), "planned")
    line = visit.lines.get()
    assert (line.machine, line.sensors, line.done) == (planned.machines["A1"], 2, False)
    assert line.due_on == date(2027, 2, 10)
    assert MONDAY < visit.planned_on <= visit.due_on
    assert np.is_busday(visit.planned_on)


def test_two_machines_of_one_customer_are_one_visit_with_two_lines(planned):
    registry.edit(planned.machines["A2"], scope=SYSTEM, customer=planned.customers["A1"])
    assert plan(planned).planned == 1
    assert visit_of(planned, "A1").lines.count() == 2


def test_planning_again_changes_nothing(planned):
    plan(planned)
    before = rows()
    again = plan(planned)
    assert (again.planned, again.moved, again.cancelled) == (0, 0, 0)
    assert rows() == before


def test_a_new_day_moves_nothing_that_can_stay(planned):
    plan(planned)
    days = {visit.pk: visit.planned_on for visit in Visit.objects.all()}
    plan(planned, now=WINTER + timedelta(days=1))
    assert {visit.pk: visit.planned_on for visit in Visit.objects.all()} == days


def test_in_the_half_year_before_seeding_all_that_falls_due_before_it_is_planned(planned):
    DueState.objects.filter(sensor=planned.sensors["A2"]).update(due_on=date(2027, 3, 20))
    plan(planned)
    assert visit_of(planned, "A2").lines.get().sensors == 1


def test_once_seeding_has_begun_only_the_lead_days_count(planned):
    plan(planned, now=datetime(2026, 9, 1, 9, 0, tzinfo=UTC))
    assert not Visit.objects.exists()
    DueState.objects.filter(sensor=planned.sensors["A1"]).update(due_on=date(2026, 9, 20))
    plan(planned, now=datetime(2026, 9, 1, 9, 0, tzinfo=UTC))
    visit = Visit.objects.get()
    assert (visit.season, visit.lines.get().sensors) == (2026, 1)


def test_an_overdue_customer_is_visited_at_once(planned):
    DueState.objects.filter(sensor=planned.sensors["A1"]).update(due_on=date(2026, 12, 1))
    plan(planned)
    assert visit_of(planned, "A1").planned_on == MONDAY + timedelta(days=1)


def test_sensors_installed_since_the_last_scan_are_found(world):
    assert not DueState.objects.exists()
    assert plan(world, now=NOW).planned == 2
    assert {line.sensors for line in VisitLine.objects.all()} == {2}


# ── Time ──────────────────────────────────────────────────────────────────────
@pytest.mark.parametrize(
    ("zone", "now", "tomorrow"),
    [
        ("Pacific/Apia", datetime(2027, 1, 11, 11, 30, tzinfo=UTC), date(2027, 1, 13)),  # +13
        ("Pacific/Pitcairn", datetime(2027, 1, 12, 7, 59, tzinfo=UTC), date(2027, 1, 12)),  # -8
        # The nights in which clocks go forward and back, an hour before and after.
        ("America/New_York", datetime(2027, 3, 14, 4, 30, tzinfo=UTC), date(2027, 3, 15)),
        ("America/New_York", datetime(2027, 3, 15, 3, 59, tzinfo=UTC), date(2027, 3, 15)),
        ("America/New_York", datetime(2026, 11, 2, 4, 59, tzinfo=UTC), date(2026, 11, 2)),
        ("America/New_York", datetime(2026, 11, 2, 5, 0, tzinfo=UTC), date(2026, 11, 3)),
        # The eve of a leap day.
        ("UTC", datetime(2028, 2, 28, 12, 0, tzinfo=UTC), date(2028, 2, 29)),
    ],
)
def test_tomorrow_is_the_dealers_tomorrow(world, zone, now, tomorrow):
    dealer = world.dealers["A"]
    dealer.timezone = zone
    dealer.save()
    plan(world, now=now)  # never calibrated: overdue, so visited as soon as it can be
    assert min(Visit.objects.values_list("planned_on", flat=True)) == tomorrow


def test_a_season_that_starts_in_january(world):
    dealer = world.dealers["A"]
    dealer.season_start = "01-10"
    dealer.save()
    set_due(world, A1=date(2027, 1, 8))
    plan(world, now=datetime(2026, 12, 28, 9, 0, tzinfo=UTC))
    visit = visit_of(world, "A1")
    assert visit.season == 2027
    assert date(2026, 12, 29) <= visit.planned_on <= date(2027, 1, 8)


def test_a_missed_visit_gets_a_new_day_when_the_worker_was_down(planned):
    plan(planned)
    late = visit_of(planned, "A1").planned_on + timedelta(days=3)
    result = plan(planned, now=datetime(late.year, late.month, late.day, 9, tzinfo=UTC))
    assert result.moved >= 1
    assert visit_of(planned, "A1").planned_on > late


def test_a_visit_that_is_under_way_today_stays_today(planned):
    plan(planned)
    day = visit_of(planned, "A1").planned_on
    plan(planned, now=datetime(day.year, day.month, day.day, 9, tzinfo=UTC))
    assert visit_of(planned, "A1").planned_on == day


def test_an_open_visit_is_carried_into_the_next_season(world):
    plan(world, now=datetime(2026, 8, 31, 9, 0, tzinfo=UTC))
    assert set(Visit.objects.values_list("season", flat=True)) == {2026}
    Visit.objects.update(planned_on=date(2026, 9, 4))
    plan(world, now=datetime(2026, 10, 5, 9, 0, tzinfo=UTC))
    assert set(Visit.objects.values_list("season", "status")) == {(2027, "planned")}
    assert Visit.objects.count() == 2


# ── Stability ─────────────────────────────────────────────────────────────────
def test_a_confirmed_visit_stays_put(planned):
    plan(planned)
    day = date(2027, 3, 17)  # after its due day: the farmer wanted it so
    Visit.objects.filter(customer=planned.customers["A1"]).update(
        status="confirmed", planned_on=day
    )
    assert plan(planned).moved == 0
    assert visit_of(planned, "A1").planned_on == day


def test_a_confirmed_visit_that_was_missed_is_reported_not_moved(planned):
    plan(planned)
    Visit.objects.filter(customer=planned.customers["A1"]).update(
        status="confirmed", planned_on=date(2027, 1, 8)
    )
    result = plan(planned)
    assert [customer.name for customer, _ in result.unplanned] == ["Farm A1"]
    assert "2027-01-08 has passed" in result.unplanned[0].reason
    assert visit_of(planned, "A1").planned_on == date(2027, 1, 8)


def test_a_due_day_that_moved_before_the_visit_moves_the_visit(planned):
    plan(planned)
    other, before = visit_of(planned, "A1").planned_on, visit_of(planned, "A2").planned_on
    DueState.objects.filter(sensor=planned.sensors["A2"]).update(due_on=date(2027, 1, 21))
    assert before > date(2027, 1, 21)
    assert plan(planned).moved == 1
    assert MONDAY < visit_of(planned, "A2").planned_on <= date(2027, 1, 21)
    assert visit_of(planned, "A1").planned_on == other


def test_what_is_no_longer_due_leaves_the_plan(planned):
    plan(planned)
    DueState.objects.filter(sensor__dealer=planned.dealers["A"]).update(due_on=date(2028, 1, 1))
    result = plan(planned)
    assert (result.cancelled, VisitLine.objects.count()) == (2, 0)
    assert set(Visit.objects.values_list("status", flat=True)) == {"cancelled"}


def test_a_resold_machine_leaves_its_former_owners_visit(planned):
    plan(planned)
    registry.transfer_machine(
        scope=SYSTEM, machine=planned.machines["A1"], customer=planned.customers["B1"]
    )
    plan(planned)
    assert Visit.objects.get(customer=planned.customers["A1"]).status == "cancelled"
    assert not VisitLine.objects.filter(
        machine=planned.machines["A1"], visit__status="planned"
    ).exists()


# ── Capacity ──────────────────────────────────────────────────────────────────
def many_customers(world, number):
    """Give dealer A more customers with one machine and one never calibrated sensor each."""
    for n in range(number):
        customer = registry.register_customer(
            scope=SYSTEM, dealer=world.dealers["A"], name=f"Many {n:02}"
        )
        machine = registry.register_machine(
            scope=SYSTEM, customer=customer, model=world.machine_model, serial=f"MANY-{n}"
        )
        sensor = registry.register_sensor(
            scope=SYSTEM,
            dealer=world.dealers["A"],
            serial=f"SMANY-{n}",
            model=world.sensor_model,
        )
        registry.install_sensor(
            scope=SYSTEM,
            sensor=sensor,
            machine=machine,
            position="row 1",
            installed_on=date(2026, 1, 1) + timedelta(days=n),
        )


def test_no_day_takes_more_than_three_visits_a_technician(world):
    many_customers(world, 8)
    plan(world)  # ten customers, one technician
    per_day = Counter(Visit.objects.values_list("planned_on", flat=True))
    assert sorted(per_day.values()) == [1, 3, 3, 3]
    assert sorted(per_day) == [MONDAY + timedelta(days=ahead) for ahead in (1, 2, 3, 4)]


def test_the_worst_goes_first(world):
    many_customers(world, 8)
    due.catch_up(now=WINTER)
    flagged = Dealer.objects.get(code="NORTH").customers.get(name="Many 07")
    DriftFlag.objects.create(
        sensor=flagged.machines.get().installations.get().sensor,
        kind="slope",
        level="beyond",
        magnitude=5,
        tolerance=3,
        opened_at=NOW,
    )
    plan(world)
    first = Visit.objects.filter(planned_on=MONDAY + timedelta(days=1))
    names = {visit.customer.name for visit in first}
    assert names == {"Many 07", "Farm A1", "Farm A2"}  # then those that are due the longest


def test_what_does_not_fit_before_the_season_is_listed_with_the_reason(world):
    many_customers(world, 8)
    # 2027-03-17, a Wednesday: Thursday and Friday are left, three visits each.
    now = datetime(2027, 3, 17, 9, 0, tzinfo=UTC)
    result = plan(world, now=now)
    assert (result.planned, len(result.unplanned)) == (6, 4)
    assert result.unplanned[0].reason == (
        "no technician has 0.833 h and the drive left on any day up to 2027-03-19, the last "
        "working day before the season"
    )
    assert [customer.name for customer, _ in result.unplanned] == [
        "Many 04",
        "Many 05",
        "Many 06",
        "Many 07",
    ]
    before = rows()
    again = plan(world, now=now)
    assert (again.planned, again.moved, len(again.unplanned)) == (0, 0, 4)
    assert rows() == before


def test_on_the_eve_of_the_season_everybody_is_listed(world):
    result = plan(world, now=datetime(2027, 3, 19, 9, 0, tzinfo=UTC))
    assert result.planned == 0
    assert {reason for _, reason in result.unplanned} == {
        "no technician's working day is left before the season starts on 2027-03-20"
    }


def test_without_a_technician_everybody_is_listed(world):
    Membership.objects.filter(role="technician").delete()
    result = plan(world)
    assert (result.planned, len(result.unplanned)) == (0, 2)
    assert "no active technician" in result.unplanned[0].reason


def test_a_visit_whose_day_was_taken_from_it_is_cancelled_and_listed(planned):
    plan(planned)
    Membership.objects.filter(role="technician").delete()
    result = plan(planned)
    assert (result.cancelled, len(result.unplanned)) == (2, 2)
    assert "no active technician" in Visit.objects.first().cancel_reason
    Membership.objects.create(
        user=planned.users["techA"], dealer=planned.dealers["A"], role="technician"
    )
    assert plan(planned).planned == 2


# ── The loop ──────────────────────────────────────────────────────────────────
def test_calibrating_the_last_due_sensor_closes_line_and_visit(planned):
    plan(planned)
    when = datetime(2027, 2, 8, 9, 0, tzinfo=UTC)
    calibrate(planned, "A1", when)
    line = visit_of(planned, "A1").lines.get()
    assert (line.sensors, line.done, line.visit.status) == (1, False, "planned")
    calibrate(planned, "A1b", when + timedelta(minutes=30))
    line.refresh_from_db()
    assert (line.done, visit_of(planned, "A1").status) == (True, "done")
    assert visit_of(planned, "A2").status == "planned"
    before = rows()
    again = plan(planned, now=when + timedelta(hours=2))
    assert (again.planned, again.moved, again.cancelled) == (0, 0, 0)
    assert rows() == before


def test_a_visit_is_done_only_when_every_machine_is(planned):
    registry.edit(planned.machines["A2"], scope=SYSTEM, customer=planned.customers["A1"])
    plan(planned)
    when = datetime(2027, 2, 8, 9, 0, tzinfo=UTC)
    calibrate(planned, "A1", when)
    calibrate(planned, "A1b", when)
    assert sorted(VisitLine.objects.values_list("done", flat=True)) == [False, True]
    assert visit_of(planned, "A1").status == "planned"
    calibrate(planned, "A2", when)
    calibrate(planned, "A2b", when)
    assert visit_of(planned, "A1").status == "done"


def test_a_policy_that_makes_nothing_due_marks_nothing_done(planned):
    plan(planned)
    TolerancePolicy.objects.create(default_interval_days=3000)
    due.refresh([sensor.pk for sensor in planned.sensors.values()], now=WINTER)
    assert not VisitLine.objects.filter(done=True).exists()


def test_an_interval_shorter_than_the_lead_days_does_not_keep_a_visit_open(planned):
    TolerancePolicy.objects.create(default_interval_days=20)
    plan(planned)
    when = datetime(2027, 2, 8, 9, 0, tzinfo=UTC)
    calibrate(planned, "A1", when)
    calibrate(planned, "A1b", when)
    assert visit_of(planned, "A1").status == "done"
    plan(planned, now=when + timedelta(days=1))
    assert visit_of(planned, "A1").status == "done"
    plan(planned, now=when + timedelta(days=15))  # due again on 2027-02-28
    again = Visit.objects.get(customer=planned.customers["A1"], status="planned")
    assert again.planned_on <= date(2027, 2, 28)


# ── Two at once ───────────────────────────────────────────────────────────────
@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_two_planners_make_one_plan():
    if connection.vendor != "postgresql":
        pytest.skip("the row lock is PostgreSQL's (DATABASE_URL)")
    build_world()
    planned = at_once(2, lambda _: plan_visits(now=WINTER).planned)
    assert sorted(planned) == [0, 4]
    assert Visit.objects.count() == 4
