"""What people look at: home, sensor, machine, lists; and how many queries it costs."""

import re
from datetime import UTC, date, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from calibration import claiming, scan, stages, working
from calibration.admin import wording
from calibration.claiming import Clock
from calibration.models import (
    Calibration,
    DriftFlag,
    DueState,
    ReferenceStandard,
    ScanRun,
    Visit,
)
from calibration.readout.phrases import brief
from calibration.records import PointDraft
from fleet import registry
from fleet.models import Customer, Dealer, Machine, Membership, Sensor, User
from tests.conftest import SYSTEM
from tests.desk import fill, page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings, monkeypatch):
    without_files(settings)
    clock = datetime(2026, 4, 10, 12, 0, tzinfo=UTC)
    monkeypatch.setattr("django.utils.timezone.now", lambda: clock)


@pytest.fixture
def full(world):
    return fill(world)


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
        page(Visit, "changelist"),
        page(User, "changelist"),
        page(Membership, "changelist"),
        page(Machine, "change", full.machines["A1"].pk),
        page(Sensor, "change", full.sensors["A1"].pk),
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
    assert {item["row"].sensor.serial for item in answer.context["flags"]} == {"S-A1"}


def test_home_of_a_reviewer_has_no_plan_and_no_visits(full):
    answer = signed_in(full.users["reviewer"]).get(reverse("admin:index"))
    assert "machines" not in answer.context
    assert "visits" not in answer.context
    assert {item["row"].sensor.serial for item in answer.context["flags"]} == {"S-A1", "S-B1"}


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
