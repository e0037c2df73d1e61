"""What a plan makes of people, places and calendars in the rows: days off, holidays, positions,
parts, appointments, changes while the solver searches; and what calendars learn of it.

Holidays from memory, with the law beside them in `tests/fleet/test_workdays.py`.
"""

from collections import Counter
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
import time_machine
from django.core.management import call_command

from calibration import due, records
from calibration.models import DriftFlag, SeasonPlan, Visit, VisitLine
from calibration.planning import appointments, plan_visits, reading, visits
from fleet import registry
from fleet.models import Blackout, DayOff, Membership, Role, User
from tests.calibration.test_planning import MONDAY, WINTER, many_customers
from tests.conftest import NOW, SYSTEM

TUESDAY = MONDAY + timedelta(days=1)


def plan(world, now=WINTER, **asked):
    return plan_visits(now=now, dealer=world.dealers["A"], **asked)


def days():
    return Counter(Visit.objects.filter(status="planned").values_list("planned_on", flat=True))


def second_technician(world):
    user = User.objects.create_user("techA2", "t2@people.example", "long-enough")
    Membership.objects.create(user=user, dealer=world.dealers["A"], role=Role.TECHNICIAN)
    return user


@pytest.fixture
def due_now(world):
    """Return a world in which all four of A's sensors were never calibrated."""
    due.catch_up(now=WINTER)
    return world


# ── Technicians ───────────────────────────────────────────────────────────────
def test_each_visit_has_a_technician_and_its_work(due_now):
    plan(due_now)
    for visit in Visit.objects.all():
        assert visit.technician == due_now.users["techA"]
        assert visit.minutes == 30 + 2 * 20
    row = SeasonPlan.objects.get()
    assert (row.dealer, row.unplanned) == (due_now.dealers["A"], [])
    assert row.cost <= row.greedy_cost
    assert row.says


def test_days_off_and_hours_are_kept(due_now):
    tech = Membership.objects.get(user=due_now.users["techA"])
    DayOff.objects.create(membership=tech, first_day=TUESDAY, last_day=date(2027, 1, 14))
    plan(due_now)
    assert days() == {date(2027, 1, 15): 2}
    Visit.objects.all().delete()
    tech.hours_per_day = 3.5  # one visit with its drives takes 3 h 10 min
    tech.working_days = "26"
    tech.save()
    plan(due_now)
    assert set(days()) == {date(2027, 1, 16), date(2027, 1, 19)}  # Saturday and Tuesday


def test_a_second_technician_halves_the_time(world):
    many_customers(world, 8)
    other = second_technician(world)
    plan(world)
    assert sum(days().values()) == 10
    assert max(days()) == MONDAY + timedelta(days=2)
    each = Counter(Visit.objects.values_list("technician", "planned_on"))
    assert max(each.values()) == 3
    assert other.pk in dict(each.keys())


def test_a_technician_who_left_hands_the_visits_over(due_now):
    plan(due_now)
    other = second_technician(due_now)
    before = dict(Visit.objects.values_list("pk", "sequence"))
    due_now.users["techA"].is_active = False
    due_now.users["techA"].save()
    assert plan(due_now).moved == 2
    for visit in Visit.objects.all():
        assert (visit.technician, visit.former_technician) == (other, due_now.users["techA"])
        assert visit.planned_on == TUESDAY
        assert visit.sequence == before[visit.pk] + 1


def test_who_works_for_two_dealers_is_at_one_of_them_a_day(due_now):
    tech = due_now.users["techA"]
    Membership.objects.create(user=tech, dealer=due_now.dealers["B"], role=Role.TECHNICIAN)
    Membership.objects.filter(user=due_now.users["techB"]).delete()
    plan(due_now)
    first = set(days())
    plan_visits(now=WINTER, dealer=due_now.dealers["B"])
    theirs = Visit.objects.filter(customer__dealer=due_now.dealers["B"])
    assert set(theirs.values_list("technician", flat=True)) == {tech.pk}
    assert first.isdisjoint(theirs.values_list("planned_on", flat=True))
    before = list(Visit.objects.order_by("pk").values_list("pk", "planned_on"))
    plan(due_now)
    assert list(Visit.objects.order_by("pk").values_list("pk", "planned_on")) == before


# ── Calendars ─────────────────────────────────────────────────────────────────
def test_nobody_drives_out_on_a_holiday(due_now):
    registry.edit(due_now.dealers["A"], scope=SYSTEM, country="PL")
    plan(due_now, now=datetime(2027, 1, 5, 9, tzinfo=UTC))  # tomorrow: Epiphany
    assert days() == {date(2027, 1, 7): 2}


def test_a_customers_blackout_days_are_kept(due_now):
    customer = due_now.customers["A1"]
    black = Blackout.objects.create(
        customer=customer, first_day=date(2027, 1, 1), last_day=date(2027, 1, 20)
    )
    plan(due_now)
    assert Visit.objects.get(customer=customer).planned_on == date(2027, 1, 21)
    assert Visit.objects.get(customer=due_now.customers["A2"]).planned_on == TUESDAY
    black.last_day = date(2027, 3, 31)
    black.save()
    result = plan(due_now)
    assert [one.customer for one in result.unplanned] == [customer]
    left = np.busday_count(TUESDAY, date(2027, 3, 20))
    assert f"on any of the {left} working days up to 2027-03-19" in result.unplanned[0].reason
    assert SeasonPlan.objects.get().unplanned[0]["customer"] == customer.pk


# ── Positions ─────────────────────────────────────────────────────────────────
def test_neighbours_are_visited_together(world):
    dealer = registry.edit(world.dealers["A"], scope=SYSTEM, latitude=52.0, longitude=17.0)
    many_customers(world, 6)
    for n, customer in enumerate(dealer.customers.order_by("pk")):
        customer.latitude, customer.longitude = 52.0, 17.0 + (1.2 if n % 2 else -1.2)
        customer.save()
    plan(world, seconds=1)
    sides = {}
    for visit in Visit.objects.select_related("customer"):
        sides.setdefault(visit.planned_on, set()).add((visit.customer.longitude or 0) > 17)
    assert sum(sides.get(day) is not None for day in sides) == len(sides)
    mixed = [day for day, found in sides.items() if len(found) > 1]
    assert len(mixed) <= 1


def test_work_and_drive_longer_than_a_day_say_so(world):
    due.catch_up(now=WINTER)
    dealer = registry.edit(world.dealers["A"], scope=SYSTEM, latitude=52.0, longitude=17.0)
    customer = dealer.customers.get(name="Farm A1")
    customer.latitude, customer.longitude = 52.0, 20.0  # 205 km: more than four hours each way
    customer.save()
    result = plan(world)
    assert [one.customer.name for one in result.unplanned] == ["Farm A1"]
    assert result.unplanned[0].reason == (
        "the work takes 1.17 h and the drive 8.23 h, more than a technician's day of 8 h"
    )


# ── Parts ─────────────────────────────────────────────────────────────────────
def test_a_large_customer_is_visited_on_several_days(world):
    for n in range(8):  # a machine of four sensors each: 110 minutes
        machine = registry.register_machine(
            scope=SYSTEM, customer=world.customers["A1"], model=world.machine_model,
            serial=f"BIG-{n}",
        )  # fmt: skip
        for position in range(4):
            sensor = registry.register_sensor(
                scope=SYSTEM, dealer=world.dealers["A"], serial=f"BIG-{n}-{position}",
                model=world.sensor_model,
            )  # fmt: skip
            registry.install_sensor(
                scope=SYSTEM, sensor=sensor, machine=machine, position=f"row {position}",
                installed_on=date(2020, 1, 1),
            )  # fmt: skip
    result = plan(world)
    assert result.unplanned == []
    its = Visit.objects.filter(customer=world.customers["A1"]).order_by("part")
    assert [visit.part for visit in its] == [1, 2, 3]
    assert all(visit.minutes <= 360 for visit in its)
    assert sum(visit.lines.count() for visit in its) == 9
    assert len({visit.planned_on for visit in its}) == 3
    before = sorted(VisitLine.objects.values_list("visit", "machine"))
    assert plan(world).moved == 0
    assert sorted(VisitLine.objects.values_list("visit", "machine")) == before


# ── Consequence ───────────────────────────────────────────────────────────────
def test_a_worse_new_customer_displaces_one_that_matters_less(world):
    many_customers(world, 4)
    now = datetime(2027, 3, 17, 9, 0, tzinfo=UTC)  # two days left: six visits
    assert plan(world, now=now).unplanned == []
    late = registry.register_customer(scope=SYSTEM, dealer=world.dealers["A"], name="Late")
    machine = registry.register_machine(
        scope=SYSTEM, customer=late, model=world.machine_model, serial="LATE"
    )
    sensor = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="S-LATE", model=world.sensor_model
    )
    registry.install_sensor(
        scope=SYSTEM, sensor=sensor, machine=machine, position="row 1",
        installed_on=date(2027, 3, 1),
    )  # fmt: skip
    result = plan(world, now=now)
    assert [one.customer for one in result.unplanned] == [late]  # due last: nobody makes room
    DriftFlag.objects.create(
        sensor=sensor, kind="slope", level="beyond", magnitude=5, tolerance=3, opened_at=NOW
    )
    result = plan(world, now=now)
    assert [one.customer.name for one in result.unplanned] == ["Many 03"]
    assert Visit.objects.get(customer=late, status="planned")
    assert Visit.objects.get(customer__name="Many 03").status == "cancelled"


def test_planning_anew_moves_what_nobody_confirmed(due_now):
    plan(due_now)
    Visit.objects.filter(customer=due_now.customers["A1"]).update(planned_on=date(2027, 2, 2))
    Visit.objects.filter(customer=due_now.customers["A2"]).update(
        planned_on=date(2027, 2, 9), status="confirmed"
    )
    assert plan(due_now, anew=True).moved == 1
    assert Visit.objects.get(customer=due_now.customers["A1"]).planned_on == TUESDAY
    assert Visit.objects.get(customer=due_now.customers["A2"]).planned_on == date(2027, 2, 9)


# ── While the solver searches ─────────────────────────────────────────────────
def test_rows_that_change_while_the_solver_searches_are_planned_again(due_now, monkeypatch):
    choose, calls = visits.choose, []

    def slowly(problem, *, seconds):
        calls.append(seconds)
        if len(calls) == 1:  # a manager makes an appointment meanwhile
            Visit.objects.create(
                customer=due_now.customers["A1"], season=2027, planned_on=date(2027, 2, 2),
                due_on=date(2027, 2, 2), status="confirmed", updated_at=WINTER,
            )  # fmt: skip
        return choose(problem, seconds=0)

    monkeypatch.setattr(visits, "choose", slowly)
    assert plan(due_now, seconds=5).planned == 1
    assert calls == [5, 5]
    assert Visit.objects.get(customer=due_now.customers["A1"]).planned_on == date(2027, 2, 2)


def test_rows_that_never_stand_still_are_planned_greedily_under_the_lock(due_now, monkeypatch):
    choose, calls = visits.choose, []

    def always(problem, *, seconds):
        calls.append(seconds)
        tech = Membership.objects.get(user=due_now.users["techA"])
        if seconds:
            tech.hours_per_day -= 0.5
            tech.save()
        return choose(problem, seconds=0)

    monkeypatch.setattr(visits, "choose", always)
    assert plan(due_now, seconds=5).planned == 2
    assert calls == [5, 5, 0.0]


# ── Clocks ────────────────────────────────────────────────────────────────────
def test_a_worker_that_was_down_for_three_days_plans_from_today(due_now, capsys):
    for moment in (WINTER, WINTER + timedelta(days=4)):  # from Monday to Friday
        with time_machine.travel(moment, tick=False):
            call_command("plan_visits", "--dealer=NORTH", "--seconds=0")
    assert days() == {date(2027, 1, 18): 2}  # the days in between are lost; Monday follows


def test_a_clock_that_is_set_back_an_hour_moves_nothing(due_now, capsys):
    seen = []
    for minutes in (0, -60, 5):
        with time_machine.travel(WINTER + timedelta(minutes=minutes), tick=False):
            call_command("plan_visits", "--dealer=NORTH", "--seconds=0")
        seen.append(sorted(Visit.objects.values_list("pk", "planned_on", "sequence")))
    assert seen[0] == seen[1] == seen[2]


@pytest.mark.parametrize(
    ("zone", "now", "first"),
    [
        # A Friday's last minutes, and Saturday's first: Monday follows both.
        ("Pacific/Tongatapu", datetime(2027, 1, 15, 10, 59, tzinfo=UTC), date(2027, 1, 18)),
        ("Pacific/Tongatapu", datetime(2027, 1, 14, 10, 59, tzinfo=UTC), date(2027, 1, 15)),
        ("Pacific/Pitcairn", datetime(2027, 1, 15, 7, 59, tzinfo=UTC), date(2027, 1, 15)),
        ("Pacific/Pitcairn", datetime(2027, 1, 15, 8, 0, tzinfo=UTC), date(2027, 1, 18)),
        ("Europe/Warsaw", datetime(2028, 2, 28, 12, 0, tzinfo=UTC), date(2028, 2, 29)),
    ],
)
def test_the_first_day_is_the_dealers_next_working_day(world, zone, now, first):
    dealer = world.dealers["A"]
    dealer.timezone = zone
    dealer.save()
    plan(world, now=now, seconds=0)
    assert min(days()) == first


# ── What a change brings with it ──────────────────────────────────────────────
def test_what_a_calendar_shows_counts_the_sequence_up(due_now):
    plan(due_now)
    visit = Visit.objects.get(customer=due_now.customers["A1"])
    assert visit.sequence == 0
    assert not appointments.change(visit, now=NOW, planned_on=visit.planned_on)
    assert appointments.change(visit, now=NOW, minutes=75)
    assert visit.sequence == 0
    assert appointments.change(visit, now=NOW, planned_on=date(2027, 2, 3), note="after noon")
    visit.refresh_from_db()
    assert (visit.sequence, visit.planned_on, visit.note) == (1, date(2027, 2, 3), "after noon")
    assert appointments.change(visit, now=NOW, status="done")
    assert (visit.sequence, visit.done_at) == (2, NOW)


def test_a_calibration_that_ends_a_visit_is_news_to_calendars(due_now):
    plan(due_now)
    when = datetime(2027, 1, 12, 10, 0, tzinfo=UTC)
    for which in ("A1", "A1b"):
        draft = due_now.draft(which, performed_at=when)
        records.record_calibration(draft, scope=SYSTEM, now=when)
    visit = Visit.objects.get(customer=due_now.customers["A1"])
    assert (visit.status, visit.sequence, visit.done_at) == ("done", 1, when)
    assert visit.lines.get().done_at == when


def test_reading_is_the_same_until_something_changes(due_now):
    first = reading.read(due_now.dealers["A"], now=WINTER)
    assert reading.read(due_now.dealers["A"], now=WINTER).problem == first.problem
    Blackout.objects.create(customer=due_now.customers["A1"], first_day=TUESDAY, last_day=TUESDAY)
    assert reading.read(due_now.dealers["A"], now=WINTER).problem != first.problem
