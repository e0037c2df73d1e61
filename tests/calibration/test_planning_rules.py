"""What a person may say of a visit: its day, when it is done, why it is off; services and desk.

That nobody visits in the past or on a day off, and calls off without saying why, is common
practice, no source. 3 May is a public holiday in Poland (Act of 18 January 1951, from memory).
"""

import re
from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.core import mail
from django.urls import reverse

from calibration.models import CustomerNote, DueState, Event, Visit
from calibration.planning import appointments, plan_visits
from calibration.reminders import send_reminders
from fleet import registry
from fleet.errors import Conflict, Invalid
from fleet.models import Blackout, DayOff, Membership
from tests.conftest import NOW, SYSTEM
from tests.desk import page, signed_in, without_files

TODAY = date(2026, 4, 10)  # a Friday
MONDAY, SUNDAY = date(2026, 4, 13), date(2026, 4, 12)


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)
    with time_machine.travel(NOW, tick=False):
        yield


def made(world, day=MONDAY, name="A1", **values):
    visit = Visit(customer=world.customers[name], planned_on=day, **values)
    return appointments.make(visit, now=NOW)


def fields(refusal) -> dict[str, str]:
    return {problem.field: str(problem) for problem in refusal.value.problems}


# ── its day ──────────────────────────────────────────────────────────────────
@pytest.mark.parametrize("day", [TODAY, MONDAY, date(2028, 4, 10)])
def test_a_day_from_today_to_two_years_ahead(world, day):
    assert made(world, day).planned_on == day


@pytest.mark.parametrize(
    ("day", "why"),
    [
        (date(2026, 4, 9), "has passed"), (date(2020, 4, 9), "has passed"),
        (date(2028, 4, 11), "years ahead"), (date(9999, 12, 31), "years ahead"),
    ],
)  # fmt: skip
def test_no_day_in_the_past_and_none_that_nobody_plans_for(world, day, why):
    visit = made(world)
    for attempt in (
        lambda: made(world, day, name="A2"),
        lambda: appointments.edit(visit, now=NOW, planned_on=day),
    ):
        with pytest.raises(Invalid) as refusal:
            attempt()
        assert why in fields(refusal)["planned_on"]
        assert "2026-04-10 to 2028-04-10" in fields(refusal)["planned_on"]
    assert list(Visit.objects.values_list("planned_on", flat=True)) == [MONDAY]


def test_today_is_the_dealers(world):
    """At 23:00 UTC the dealer in Warsaw has the next day already."""
    late = datetime(2026, 4, 12, 23, 0, tzinfo=UTC)
    visit = made(world)
    with pytest.raises(Invalid, match="has passed"):
        appointments.edit(visit, now=late, planned_on=SUNDAY)
    leap = datetime(2028, 2, 29, 12, 0, tzinfo=UTC)
    with pytest.raises(Invalid, match="2028-02-29 to 2030-02-28"):
        appointments.edit(visit, now=leap, planned_on=date(2031, 1, 1))


def test_a_visit_whose_day_has_passed_can_still_be_written_on(world):
    visit = made(world)
    later = NOW + timedelta(days=9)
    appointments.edit(visit, now=later, planned_on=MONDAY, note="the yard was locked")
    appointments.edit(visit, now=later, status="cancelled", cancel_reason="the yard was locked")
    with pytest.raises(Invalid, match="has passed"):
        appointments.edit(visit, now=later, status="planned")


def test_a_closed_day_is_asked_about(world):
    dealer = world.dealers["A"]
    dealer.country = "PL"
    dealer.save()
    tech = world.users["techA"]
    member = Membership.objects.get(user=tech)
    Blackout.objects.create(
        customer=world.customers["A1"], first_day=date(2026, 4, 20), last_day=date(2026, 4, 21),
        reason="at the spa with Ola",
    )  # fmt: skip
    DayOff.objects.create(
        membership=member, first_day=date(2026, 4, 22), last_day=date(2026, 4, 22), reason="ill"
    )
    member.working_days = "123456"
    member.save()
    visit = made(world, technician=tech)
    for day, why in (
        (SUNDAY, "Sunday 2026-04-12: techA does not work on that weekday"),
        (date(2027, 5, 3), "public holiday"),
        (date(2026, 4, 20), "the customer cannot be visited"),
        (date(2026, 4, 22), "techA is off"),
    ):
        with pytest.raises(Invalid) as refusal:
            appointments.edit(visit, now=NOW, planned_on=day)
        said = fields(refusal)["planned_on"]
        assert why in said
        assert "although_closed" in said
        assert "Ola" not in said
        assert "ill" not in said.replace("will", "")
        appointments.edit(visit, now=NOW, although_closed=True, planned_on=day)
        assert Visit.objects.get(pk=visit.pk).planned_on == day
        appointments.edit(visit, now=NOW, planned_on=MONDAY)
    saturday = date(2026, 4, 18)
    appointments.edit(visit, now=NOW, planned_on=saturday)  # techA works on Saturdays
    with pytest.raises(Invalid, match="the dealer is closed"):
        made(world, saturday, name="A2")


# ── done, and off ────────────────────────────────────────────────────────────
def test_it_is_not_done_before_its_day(world):
    visit = made(world)
    with pytest.raises(Invalid) as refusal:
        appointments.edit(visit, now=NOW, status="done")
    assert "done from 2026-04-13 on" in fields(refusal)["status"]
    assert Visit.objects.get().status == "planned"
    then = NOW + timedelta(days=3)
    appointments.edit(visit, now=then, status="done")
    assert (visit.status, visit.done_at) == ("done", then)


def test_made_sooner_it_is_done_today(world):
    visit = made(world)
    appointments.edit(visit, now=NOW, planned_on=TODAY, status="done")
    assert visit.status == "done"
    with pytest.raises(Invalid, match="cannot be done before"):
        appointments.edit(visit, now=NOW, planned_on=MONDAY)


def test_one_that_was_made_can_be_entered_afterwards(world):
    yesterday = TODAY - timedelta(days=1)
    assert made(world, yesterday, status="done").done_at == NOW
    with pytest.raises(Invalid, match="More than 2 years ago"):
        made(world, date(2024, 4, 9), name="A2", status="done")


def test_programs_need_not_say_why_it_is_off(world):
    visit = made(world)
    appointments.edit(visit, now=NOW, unexplained=True, status="cancelled")
    assert Visit.objects.get().status == "cancelled"
    with pytest.raises(Invalid, match="3 to 200"):
        appointments.edit(visit, now=NOW, unexplained=True, cancel_reason="no")


def test_calling_off_needs_a_reason_that_is_kept(world):
    visit = made(world, note="ring first")
    for reason in ("", "  ", "no", "x" * 201):
        with pytest.raises(Invalid) as refusal:
            appointments.edit(visit, now=NOW, status="cancelled", cancel_reason=reason)
        assert set(fields(refusal)) == {"cancel_reason"}
    with pytest.raises(Invalid, match="Only a cancelled visit"):
        appointments.edit(visit, now=NOW, cancel_reason="rain")
    visit.refresh_from_db()
    appointments.edit(visit, now=NOW, status="cancelled", cancel_reason=" the field is wet ")
    stored = Visit.objects.get()
    assert (stored.status, stored.cancel_reason) == ("cancelled", "the field is wet")
    assert (stored.note, stored.sequence) == ("ring first", 1)
    with pytest.raises(Invalid):
        appointments.edit(stored, now=NOW, cancel_reason="")
    stored.refresh_from_db()
    appointments.edit(stored, now=NOW, status="planned")
    assert Visit.objects.get().cancel_reason == ""


def test_the_customer_and_other_programs_are_not_told_why(world):
    world.dealers["A"].tells_customers = True
    world.dealers["A"].save()
    visit = made(world)
    plan_visits(now=NOW, dealer=world.dealers["A"])
    send_reminders(now=NOW, dealer=world.dealers["A"])
    assert CustomerNote.objects.filter(visit=visit, sent_at__gte=NOW).exists()
    appointments.edit(visit, now=NOW, status="cancelled", cancel_reason="Imre has broken his leg")
    send_reminders(now=NOW + timedelta(hours=1), dealer=world.dealers["A"])
    off = [message for message in mail.outbox if "called off" in message.body]
    assert len(off) == 1
    mails = str([(m.subject, m.body, m.alternatives) for m in mail.outbox])
    assert "Imre" not in mails
    assert "Imre" not in str(list(Event.objects.values_list("data", flat=True)))


# ── on the desk ──────────────────────────────────────────────────────────────
def form(visit, **changes):
    return {
        "planned_on": str(visit.planned_on), "technician": "", "status": visit.status, "note": "",
        "cancel_reason": "", "lines-TOTAL_FORMS": "0", "lines-INITIAL_FORMS": "0", **changes,
    }  # fmt: skip


def test_the_desk_asks_about_a_sunday_and_takes_the_answer(world):
    client, visit = signed_in(world.users["managerA"]), made(world)
    address = page(Visit, "change", visit.pk)
    assert "although_closed" not in client.get(address).content.decode()
    asked = client.post(address, form(visit, planned_on=str(SUNDAY), note="early"))
    text = asked.content.decode()
    assert asked.status_code == 200
    assert "Sunday 2026-04-12: the dealer is closed on that weekday" in text
    assert "Go there although the dealer or the customer is closed that day" in text
    assert "tick below that you go there all the same" in text
    assert 'value="early"' in text
    assert Visit.objects.get().planned_on == MONDAY
    sure = form(visit, planned_on=str(SUNDAY), note="early", although_closed="on")
    assert client.post(address, sure).status_code == 302
    assert Visit.objects.get().planned_on == SUNDAY


def test_the_desk_refuses_at_the_field_and_keeps_what_was_typed(world):
    client, visit = signed_in(world.users["managerA"]), made(world)
    address = page(Visit, "change", visit.pk)
    for changes, where, said in (
        ({"planned_on": "2020-01-06", "note": "kept"}, "planned_on", "has passed"),
        ({"planned_on": "9999-12-31", "note": "kept"}, "planned_on", "years ahead"),
        ({"status": "done", "note": "kept"}, "status", "cannot be done before"),
        ({"status": "cancelled", "note": "kept"}, "cancel_reason", "Say why"),
    ):
        answer = client.post(address, form(visit, **changes))
        assert answer.status_code == 200
        bound = answer.context["adminform"].form
        assert said in str(bound.errors[where]), (changes, bound.errors)
        assert bound["note"].value() == "kept"
    off = form(visit, status="cancelled", cancel_reason="the field is wet")
    assert client.post(address, off).status_code == 302
    assert Visit.objects.get().cancel_reason == "the field is wet"


# ── what it holds ────────────────────────────────────────────────────────────
@pytest.fixture
def two_machines(world):
    """Return a world in which two of A1's machines are due, one since 2021, one since 2022."""
    machine = registry.register_machine(
        scope=SYSTEM, customer=world.customers["A1"], model=world.machine_model, serial="M-A1x"
    )
    world.sensors["A1x"] = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="S-A1x", model=world.sensor_model
    )
    registry.install_sensor(
        scope=SYSTEM, sensor=world.sensors["A1x"], machine=machine, position="row 1",
        installed_on=date(2020, 1, 1),
    )  # fmt: skip
    world.season("A1", 2020)
    world.season("A1x", 2021)
    return world


def machines(visit) -> set[str]:
    return set(visit.lines.values_list("machine__serial", flat=True))


def test_season_due_day_part_and_work_are_known_from_what_is_due(two_machines):
    visit = made(two_machines, date(2026, 11, 2))
    assert machines(visit) == {"M-A1", "M-A1x"}
    due = DueState.objects.filter(sensor__serial__in=["S-A1", "S-A1x"])
    assert visit.due_on == min(due.values_list("due_on", flat=True))
    assert (visit.season, visit.part) == (2027, 1)  # of the seeding that November is before
    assert visit.minutes == 2 * (30 + 20)
    nothing_due = made(two_machines, name="A2")
    assert (machines(nothing_due), nothing_due.due_on) == (set(), MONDAY)


def test_no_machine_is_in_two_open_visits(two_machines):
    world = two_machines
    first = made(world)
    first.lines.get(machine__serial="M-A1x").delete()
    second = made(world, SUNDAY + timedelta(days=9))
    assert (machines(first), machines(second)) == ({"M-A1"}, {"M-A1x"})
    assert (second.part, second.due_on) == (2, second.lines.get().due_on)
    with pytest.raises(Conflict) as refusal:
        made(world, SUNDAY + timedelta(days=10))
    said = fields(refusal)["customer"]
    assert "open visits already: 2026-04-13 (part 1), 2026-04-21 (part 2)" in said
    assert Visit.objects.count() == 2
    appointments.edit(first, now=NOW, status="cancelled", cancel_reason="the yard is locked")
    again = made(world, SUNDAY + timedelta(days=10))
    assert (machines(again), again.part) == ({"M-A1"}, 1)


def test_a_visit_that_is_taken_up_again_leaves_to_others_what_they_do(two_machines):
    first = made(two_machines)
    first.lines.get(machine__serial="M-A1x").delete()
    second = made(two_machines, SUNDAY + timedelta(days=9))
    for visit in (first, second):
        appointments.edit(visit, now=NOW, status="cancelled", cancel_reason="the yard is locked")
    assert machines(made(two_machines)) == {"M-A1", "M-A1x"}
    appointments.edit(second, now=NOW, status="planned")
    assert machines(second) == set()


def test_a_part_that_is_named_is_kept_or_refused(two_machines):
    visit = Visit(customer=two_machines.customers["A1"], planned_on=MONDAY)
    assert appointments.make(visit, now=NOW, part=3, season=2031, due_on=SUNDAY).part == 3
    assert (visit.season, visit.due_on) == (2031, SUNDAY)
    visit.lines.all().delete()
    another = Visit(customer=two_machines.customers["A1"], planned_on=MONDAY)
    with pytest.raises(Conflict, match="open visit of that part"):
        appointments.make(another, now=NOW, part=3, season=2031)


def test_one_that_was_made_is_entered_beside_an_open_one(two_machines):
    made(two_machines)
    done = made(two_machines, TODAY, status="done")
    assert (done.status, machines(done)) == ("done", set())


def new_on_the_desk(world, **changes):
    return {
        "customer": world.customers["A1"].pk, "planned_on": str(SUNDAY), "technician": "",
        "status": "planned", "note": "", "lines-TOTAL_FORMS": "0", "lines-INITIAL_FORMS": "0",
        **changes,
    }  # fmt: skip


def test_a_visit_that_is_planned_on_the_desk_has_its_machines(world):
    world.season("A1", 2020)  # due long ago
    client = signed_in(world.users["managerA"])
    address = reverse("admin:calibration_visit_add")
    text = client.get(address).content.decode()
    asked = set(re.findall(r'name="([a-z_]+)"', text))
    assert {"customer", "planned_on", "technician", "status", "note"} <= asked
    assert not {"due_on", "season", "part", "cancel_reason"} & asked
    assert 'value="cancelled"' not in text
    new = new_on_the_desk(world)
    asked = client.post(address, new)
    assert "although_closed" in asked.content.decode()
    assert not Visit.objects.exists()
    answer = client.post(address, new | {"although_closed": "on"}, follow=True)
    assert "Machines: M-A1." in answer.content.decode()
    assert Visit.objects.get().lines.count() == 1
    again = client.post(address, new | {"planned_on": str(MONDAY)})
    said = str(again.context["adminform"].form.errors["customer"])
    assert "2026-04-12 (part 1)" in said
    assert "Accepted: another day for one of these." in said
    assert Visit.objects.count() == 1
