"""What people look at: home, sensor, machine, lists; and how many queries it costs."""

import html
import re
from datetime import UTC, date, datetime

import pytest
from django.contrib import admin
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from calibration import claiming, scan, stages, working
from calibration.admin import wording
from calibration.claiming import Clock
from calibration.models import (
    CalendarFeed,
    Calibration,
    CustomerNote,
    Digest,
    DriftFlag,
    DueState,
    ReferenceStandard,
    Reminder,
    ScanRun,
    SeasonPlan,
    Visit,
)
from calibration.readout.phrases import brief
from calibration.records import PointDraft
from fleet import registry
from fleet.models import Customer, Dealer, Installation, Machine, Membership, Sensor, User
from tests.conftest import NOW, SYSTEM
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings, monkeypatch):
    without_files(settings)
    clock = datetime(2026, 4, 10, 12, 0, tzinfo=UTC)
    monkeypatch.setattr("django.utils.timezone.now", lambda: clock)


def cost(client, address: str) -> int:
    with CaptureQueriesContext(connection) as seen:
        assert client.get(address).status_code == 200
    return len(seen)


def more_sensors(world, count: int) -> None:
    """Add sensors with two seasons and a flag each, on a machine of dealer A."""
    for number in range(count):
        serial = f"S-A1x{number}"
        sensor = world.sensors[serial] = registry.register_sensor(
            scope=SYSTEM, dealer=world.dealers["A"], serial=serial, model=world.sensor_model
        )
        registry.install_sensor(
            scope=SYSTEM, sensor=sensor, machine=world.machines["A1"],
            position=f"row {20 + number}", installed_on=date(2020, 1, 1),
        )  # fmt: skip
        world.season(serial, 2025)
        world.season(serial, 2026, points=(PointDraft(0, 20000), PointDraft(100, 33000)))


def test_a_page_costs_the_same_whatever_the_number_of_rows(full):
    client = signed_in(full.users["managerA"])
    addresses = [
        reverse("admin:index"),
        page(Sensor, "changelist"),
        page(Machine, "changelist"),
        page(Customer, "changelist"),
        page(Calibration, "changelist"),
        page(DriftFlag, "changelist"),
        page(DueState, "changelist"),
        page(Reminder, "changelist"),
        page(Visit, "changelist"),
        page(User, "changelist"),
        page(Membership, "changelist"),
        page(Machine, "change", full.machines["A1"].pk),
        page(Sensor, "change", full.sensors["A1"].pk),
        page(Customer, "change", full.customers["A1"].pk),
        page(Visit, "change", Visit.objects.get(customer=full.customers["A2"]).pk),
    ]
    for address in addresses:  # what Django remembers from the first time on
        client.get(address)
    before = [cost(client, address) for address in addresses]
    more_sensors(full, 4)
    full.season("A1", 2023)
    after = [cost(client, address) for address in addresses]
    assert after == before
    assert max(before) <= 25


def test_the_sensor_page_tells_its_whole_life(full):
    client = signed_in(full.users["techA"])
    sensor = full.sensors["A1"]
    answer = client.get(page(sensor, "change", sensor.pk))
    text = answer.content.decode()
    life = answer.context["page"]
    assert [row["season"] for row in life["history"]] == [2026, 2025, 2024]
    assert [row["verdict"] for row in life["history"]] == ["beyond", "within", "within"]
    assert [plot["title"] for plot in life["plots"]] == [
        "Slope over the seasons", "Offset over the seasons",
    ]  # fmt: skip
    assert text.count("<svg") >= 4
    assert "Beyond tolerance: since 2025-03-10, as the whole history shows it, the slope" in text
    assert "tolerance 3 %" in text
    assert "row 1, since 2020-01-01" in text
    assert "What probably happened" in text
    assert "Before anyone touches the machine" in text
    for row in life["history"]:
        assert row["slope"] in text, "the table says what the plot shows"


def test_the_life_line_crosses_machines_and_owners_without_telling_on_them(full):
    sensor = full.sensors["A1"]
    registry.remove_sensor(
        scope=SYSTEM, installation=full.installations["A1"], removed_on=date(2026, 4, 1)
    )
    registry.install_sensor(
        scope=SYSTEM, sensor=sensor, machine=full.machines["B1"], position="row 3",
        installed_on=date(2026, 4, 2),
    )  # fmt: skip
    text = signed_in(full.users["techB"]).get(page(sensor, "change", sensor.pk)).content.decode()
    assert "M-A1" in text
    assert "M-B1" in text
    assert reverse("admin:fleet_machine_change", args=[full.machines["A1"].pk]) not in text
    assert "Farm A1" not in text
    assert "hand of A" not in text
    calibration = sensor.calibrations.first()
    told = signed_in(full.users["techB"]).get(page(calibration, "change", calibration.pk))
    assert "hand of A" not in told.content.decode()


def test_numbers_from_before_it_was_put_back_on_are_not_the_ones_of_now(full):
    """Taken off and put back, the mount may sit otherwise: common practice, no source."""
    client, sensor, place = signed_in(full.users["techA"]), full.sensors["A1"], "row 1"
    address = page(sensor, "change", sensor.pk)
    assert not client.get(address).context["page"]["past"]
    assert "<h3>Last time, 2026-03-10</h3>" in entry_page(client, "S-A1")
    registry.remove_sensor(
        scope=SYSTEM, installation=full.installations["A1"], removed_on=date(2026, 4, 1)
    )
    text = client.get(address).content.decode()
    assert "Off the machine since 2026-04-01." in text
    assert "From before, 2026-03-10, on M-A1, row 1" in text
    registry.install_sensor(
        scope=SYSTEM, sensor=sensor, machine=full.machines["A1"], position=place,
        installed_on=date(2026, 4, 2),
    )  # fmt: skip
    text = client.get(address).content.decode()
    assert "Put on M-A1, row 1, on 2026-04-02, and not calibrated there since." in text
    assert "From before, 2026-03-10, on M-A1, row 1" in text
    assert text.index("not calibrated there since") < text.index("Beyond tolerance: since")
    machine = client.get(page(Machine, "change", full.machines["A1"].pk)).context["page"]
    assert machine["positions"][0]["past"]
    assert "before it was put on here, 2026-04-02" in entry_page(client, "S-A1")
    full.season("A1", 2026, performed_at=datetime(2026, 4, 3, 8, tzinfo=UTC))
    text = client.get(address).content.decode()
    assert "not calibrated there since" not in text
    assert "From before" not in text


def entry_page(client, serial: str) -> str:
    return client.get(page(Calibration, "add"), {"sensor": serial}).content.decode()


def test_a_sensor_that_was_never_calibrated_has_its_page(world):
    sensor = world.sensors["A2b"]
    text = signed_in(world.users["techA"]).get(page(sensor, "change", sensor.pk)).content.decode()
    assert "Never calibrated here" in text


def test_the_machine_page_lists_its_positions_in_order(full):
    machine = full.machines["A1"]
    answer = signed_in(full.users["techA"]).get(page(machine, "change", machine.pk))
    positions = answer.context["page"]["positions"]
    assert [row["place"].position for row in positions] == ["row 1", "row 8"]
    assert positions[0]["last"]["verdict"] == "beyond"
    assert positions[0]["flagged"]
    assert positions[1]["last"] is None


CAUTION = "transport locks and lift supports closed"


def test_cautions_stand_where_work_at_the_machine_is_offered(full):
    manager, place = signed_in(full.users["managerA"]), full.installations["A1"]

    def shown(model, verb="change", *args):
        return manager.get(page(model, verb, *args)).content.decode()

    for words in (shown(Installation, "change", place.pk), shown(Installation, "add")):
        assert CAUTION in words
    sensor = shown(Sensor, "change", full.sensors["A1"].pk)
    assert sensor.index("Record a calibration") < sensor.index(CAUTION) < sensor.index("Now</h2>")
    assert sensor.count(CAUTION) == 1
    registry.remove_sensor(scope=SYSTEM, installation=place, removed_on=date(2026, 4, 1))
    assert CAUTION not in shown(Installation, "change", place.pk)


def test_home_says_what_needs_a_decision(full):
    soon = ReferenceStandard.objects.get(dealer=full.dealers["A"])
    soon.valid_until = date(2026, 4, 20)
    soon.save()
    answer = signed_in(full.users["managerA"]).get(reverse("admin:index"))
    text = answer.content.decode()
    machines = answer.context["machines"]
    assert (machines["total"], machines["overdue"]) == (1, 1)
    assert [row["machine"].serial for row in machines["first"]] == ["M-A2"]
    assert "40 days ago" in text
    assert [visit["row"].customer.name for visit in answer.context["visits"]] == ["Farm A2"]
    assert "in 2 days" in text
    assert [item["away"] for item in answer.context["references"]] == ["in 10 days"]
    assert {item["sensor"].serial for item in answer.context["flags"]} == {"S-A1"}


def flag(sensor, kind: str, level: str = "beyond", **values) -> DriftFlag:
    return DriftFlag.objects.create(
        sensor=sensor, kind=kind, level=level, magnitude=9, tolerance=3, opened_at=NOW, **values
    )


def test_home_counts_sensors_that_left_their_tolerance_and_names_the_rest(world):
    for which, kind, level in (
        ("A1", "slope", "beyond"), ("A1", "offset", "watch"), ("A1", "overdue", "beyond"),
        ("A1b", "overdue", "beyond"), ("A1b", "lot", "beyond"), ("A1b", "slope", "watch"),
        ("A2", "reference", "beyond"), ("B1", "slope", "beyond"),
    ):  # fmt: skip
        flag(world.sensors[which], kind, level)
    flag(world.sensors["A2b"], "slope", status="acknowledged", assigned_to=world.users["managerA"])
    answer = signed_in(world.users["managerA"]).get(reverse("admin:index"))
    assert answer.context["flag_totals"] == {
        "beyond": 1, "watch": 1, "overdue": 2, "lot": 1, "reference": 1, "mine": 1,
    }  # fmt: skip
    text = answer.content.decode()
    assert "1 sensor beyond tolerance, 1 to watch" in text
    for kind, said in (("overdue", "2 overdue"), ("lot", "1 lot that stands out"),
                       ("reference", "1 reference that moved")):  # fmt: skip
        (address,) = re.findall(rf'href="([^"]*)">{said}</a>', text)
        listed = signed_in(world.users["managerA"]).get(address.replace("&amp;", "&"))
        assert {row.kind for row in listed.context["cl"].result_list} == {kind}
    shown = {row["sensor"].serial: row for row in answer.context["flags"]}
    assert set(shown) == {"S-A1", "S-A1b", "S-A2"}
    kinds = [each["row"].kind for each in shown["S-A1"]["flags"]]
    assert sorted(kinds) == ["offset", "overdue", "slope"]
    words = {serial: [word for _, word in row["states"]] for serial, row in shown.items()}
    assert sorted(words["S-A1b"]) == ["lot", "overdue", "watch"]
    assert words["S-A2"] == ["reference"]


def test_home_shows_the_worst_sensors_first_and_no_more_than_fit(world, monkeypatch):
    monkeypatch.setattr("calibration.admin.home.MOST", 2)
    flag(world.sensors["A1"], "slope", "watch")
    flag(world.sensors["A2"], "slope")
    flag(world.sensors["A1b"], "overdue")
    DriftFlag.objects.filter(kind="overdue").update(tolerance=0)
    answer = signed_in(world.users["managerA"]).get(reverse("admin:index"))
    assert [row["sensor"].serial for row in answer.context["flags"]] == ["S-A2", "S-A1b"]


def test_home_leads_to_the_one_plan_or_to_all(full):
    plans = SeasonPlan.objects.count()
    assert plans > 1
    for name, address in (
        ("managerA", page(SeasonPlan, "change", full.dealers["A"].pk)),
        ("admin", page(SeasonPlan, "changelist")),
    ):
        client = signed_in(full.users[name])
        text = client.get(reverse("admin:index")).content.decode()
        assert f'href="{address}">How far the season is</a>' in text
        assert client.get(address).status_code == 200


def test_home_of_a_reviewer_has_no_plan_and_no_visits(full):
    answer = signed_in(full.users["reviewer"]).get(reverse("admin:index"))
    assert "machines" not in answer.context
    assert "visits" not in answer.context
    assert {item["sensor"].serial for item in answer.context["flags"]} == {"S-A1", "S-B1"}


def test_an_empty_desk_says_what_to_do_first(db):
    boss = User.objects.create_superuser("first", password="x" * 12)
    client = signed_in(boss)
    steps = client.get(reverse("admin:index")).context["first_steps"]
    assert [step["done"] for step in steps] == [False] * len(steps)
    Dealer.objects.create(code="ONE", name="One")
    steps = client.get(reverse("admin:index")).context["first_steps"]
    assert steps[0]["done"]
    for step in steps:
        assert client.get(step["url"]).status_code == 200


@pytest.mark.parametrize(
    ("query", "serials"),
    [
        ("q=a1b", {"S-A1b"}),
        ("verdict=beyond", {"S-A1"}),
        ("verdict=none", {"S-A1b", "S-A2", "S-A2b"}),
        ("lot=L1", {"S-A1", "S-A1b", "S-A2", "S-A2b"}),
        ("lot=L9", set()),
        ("q=S-B1", set()),
    ],
)
def test_sensors_are_found(full, query, serials):
    answer = signed_in(full.users["techA"]).get(page(Sensor, "changelist") + f"?{query}")
    assert {row.serial for row in answer.context["cl"].result_list} == serials


@pytest.mark.parametrize(
    "query",
    [
        "season=2026",
        "judgement__verdict=beyond",
        "reason__exact=seasonal",
        "stage__exact=as_found",
        "lot=L1",
    ],
)
def test_calibrations_are_filtered(full, query):
    answer = signed_in(full.users["techA"]).get(page(Calibration, "changelist") + f"?{query}")
    rows = list(answer.context["cl"].result_list)
    assert rows
    assert all(row.sensor.dealer == full.dealers["A"] for row in rows)


def test_a_visit_is_moved_by_a_manager_and_its_machines_are_the_plans(full):
    visit = Visit.objects.get(customer=full.customers["A2"])
    data = {
        "planned_on": "2026-04-14", "technician": full.users["techA"].pk, "status": "confirmed",
        "note": "", "lines-TOTAL_FORMS": "1", "lines-INITIAL_FORMS": "1",
        "lines-0-id": visit.lines.get().pk,
    }  # fmt: skip
    address = page(visit, "change", visit.pk)
    assert signed_in(full.users["techA"]).post(address, data).status_code == 403
    answer = signed_in(full.users["managerA"]).post(address, data)
    assert answer.status_code == 302, re.findall(r"errorlist.*", answer.content.decode())
    visit.refresh_from_db()
    assert (visit.planned_on, visit.status) == (date(2026, 4, 14), "confirmed")
    stranger = signed_in(full.users["managerA"]).post(
        address, data | {"technician": full.users["techB"].pk}
    )
    assert "technician" in stranger.context["adminform"].form.errors


def facts(text: str) -> str:
    """Return a page's words without its marks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def test_a_visit_leads_to_everything_that_it_needs(full):
    visit, machine = Visit.objects.get(customer=full.customers["A2"]), full.machines["A2"]
    line = visit.lines.get()
    flag(full.sensors["A2"], "slope", "beyond")
    for name in ("techA", "managerA"):
        text = signed_in(full.users[name]).get(page(visit, "change", visit.pk)).content.decode()
        for address in (
            reverse("admin:fleet_customer_visit_sheet", args=[visit.customer_id]),
            reverse("admin:fleet_machine_cab_card", args=[machine.pk]),
            page(Customer, "change", visit.customer_id),
            page(Machine, "change", machine.pk),
        ):
            assert f'href="{address}"' in text, address
        assert "Before anyone touches the machine" in text
        assert "+48 555 A2" in text
        assert "to do" in facts(text)
        assert "icon-no" not in text
        assert text.count(machine.serial) == 2  # the machine, and the name of its cab card
        assert 'class="sign sign-beyond">beyond' in text
        assert ('name="planned_on"' in text) == (name == "managerA")
    line.done, line.done_at = True, datetime(2026, 4, 9, 23, 0, tzinfo=UTC)
    line.save()
    answer = signed_in(full.users["techA"]).get(page(visit, "change", visit.pk))
    said = facts(answer.content.decode())
    assert "done 2026-04-10" in said  # it was the 10th there already
    assert "to do" not in said


def test_a_customers_page_says_when_who_and_what_is_open(full):
    customer = full.customers["A2"]
    flag(full.sensors["A2"], "slope", "beyond")
    flag(full.sensors["A1"], "offset", "beyond")
    visit = Visit.objects.get(customer=customer)
    first = DueState.objects.get(sensor=full.sensors["A2"]).due_on
    address = page(customer, "change", customer.pk)
    answer = signed_in(full.users["techA"]).get(address)
    text = answer.content.decode()
    assert f'href="{page(visit, "change", visit.pk)}"' in text
    assert "+48 555 A2" in text
    assert f"The first is due {first}" in facts(text)
    shown = answer.context["page"]
    assert [row["sensor"].serial for row in shown["flags"]] == ["S-A2"]
    assert [item["worst"] for item in shown["machines"]] == ["beyond"]
    told = signed_in(full.users["reviewer"]).get(address)
    text = told.content.decode()
    assert "+48 555" not in text
    assert "The first is due" not in text
    assert page(visit, "change", visit.pk) not in text
    assert [row["sensor"].serial for row in told.context["page"]["flags"]] == ["S-A2"]


def test_a_machine_that_is_only_late_is_not_beyond_its_tolerance(full):
    flag(full.sensors["A2"], "overdue")
    client = signed_in(full.users["managerA"])
    rows = client.get(page(Machine, "changelist")).context["cl"].result_list
    assert {row.serial: (row.has_beyond, row.has_watch) for row in rows}["M-A2"] == (False, False)


def test_a_reminder_says_why_in_the_words_of_the_due_day(full):
    """One list of due days stands among the places; the sensor's page leads to the other."""
    client, sensor = signed_in(full.users["managerA"]), full.sensors["A1"]
    # A code that is no word of the sentence it stands for.
    DueState.objects.filter(sensor=sensor).update(decided_by=DueState.Decided.CROSSING)
    state = DueState.objects.get(sensor=sensor)
    Reminder.objects.filter(sensor=sensor).delete()
    Reminder.objects.create(
        sensor=sensor, due_on=state.due_on, why=state.decided_by, created_at=NOW
    )
    text = client.get(page(Reminder, "changelist")).content.decode()
    (row,) = [each for each in text.split("<tr") if "S-A1<" in each]
    assert state.get_decided_by_display() in row
    assert "2026-03-10" in row
    assert state.decided_by not in facts(row)
    assert page(DueState, "changelist") not in text
    assert page(Reminder, "changelist") in text
    life = client.get(page(sensor, "change", sensor.pk)).content.decode()
    assert page(DueState, "change", sensor.pk) in life
    assert client.get(page(DueState, "change", sensor.pk)).status_code == 200


@pytest.mark.parametrize(
    ("model", "says"),
    [
        (Digest, "once a day"),
        (CustomerNote, "Tells customers"),
        (CalendarFeed, "calendar program"),
    ],
)
def test_a_list_that_nobody_fills_by_hand_says_what_it_is(world, model, says):
    text = signed_in(world.users["managerA"]).get(page(model, "changelist")).content.decode()
    assert says in re.search(r'<p class="about">(.*?)</p>', text).group(1)


def test_a_scan_shows_how_far_it_is(full, monkeypatch):
    ScanRun.objects.all().delete()
    monkeypatch.setattr(stages, "JUDGE_SENSORS", 3)
    client, now = signed_in(full.users["admin"]), datetime(2026, 4, 10, 12, 0, tzinfo=UTC)
    run, clock = scan.start(full=True, now=now), Clock(now)
    address = reverse("admin:calibration_scanrun_change", args=[run.pk])
    assert "waiting" in client.get(page(ScanRun, "changelist")).content.decode()
    for _ in range(3):
        chunk = claiming.claim(run=run, worker="one", now=now)
        working.work(chunk, clock=clock, told=lambda: None)
    done, everybody = chunk.sensors, Sensor.objects.count()
    assert 0 < done < everybody
    assert f"with {done} of {everybody} sensors" in client.get(address).content.decode()
    shown = client.get(page(ScanRun, "changelist")).content.decode()
    assert f"running, {done / everybody:.0%}" in shown
    scan.work_off(run, clock=clock)
    assert "finished" in client.get(address).content.decode()


def test_a_number_in_brief_has_no_exponent_and_nothing_is_plain_zero():
    numbers = (-1.2e-14, 0.0, -0.00001, 0.034, 3.14159, -21.3, 97000.4)
    shown = [brief(number) for number in numbers]
    assert shown == ["+0", "+0", "+0", "+0.034", "+3.1", "-21", "+97000"]


def test_one_that_is_out_is_not_said_to_leave_its_tolerance_some_day():
    trend = {
        "slope_pct_per_year": -1.5, "expected_crossing": "2031-03-01",
        "earliest_crossing": "2029-08-01",
    }  # fmt: skip
    within, beyond = (
        wording.outlook(
            {"trend": trend, "verdict": verdict, "performed_at": "2026-03-10T09:00:00Z"}
        )
        for verdict in ("within", "beyond")
    )
    assert within.endswith("leave its tolerance in 2031, at the earliest in 2029.")
    assert beyond == "The slope moves by -1.5 % a year."


OWN = [
    model for model in admin.site._registry if model._meta.app_label in {"fleet", "calibration"}
]


@pytest.mark.parametrize("model", OWN, ids=lambda model: model._meta.model_name)
def test_every_filter_that_a_list_offers_can_be_followed(full, model):
    client, address = signed_in(full.users["admin"]), page(model, "changelist")
    offered = set(re.findall(r'href="(\?[^"]*)"', client.get(address).content.decode()))
    assert all(client.get(address + html.unescape(link)).status_code == 200 for link in offered)
