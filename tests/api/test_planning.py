"""Plans, days that are not free, readiness, due days with their reasons, and what mails wait."""

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine

from calibration import due, records
from calibration.models import CustomerNote, Digest, ModelInterval, StaleSensor, Visit
from calibration.planning import plan_visits, readiness
from fleet.access import scope_of
from tests.api.conftest import V1, refused
from tests.conftest import SYSTEM

WINTER = datetime(2027, 1, 11, 9, 0, tzinfo=UTC)  # a Monday


@pytest.fixture(autouse=True)
def _frozen():
    """Stop the clock in the winter before the season of NORTH."""
    with time_machine.travel(WINTER, tick=False):
        yield


@pytest.fixture
def winter(world):
    """Return a world in which everything is due."""
    due.catch_up(now=WINTER)
    return world


# ── Plans ─────────────────────────────────────────────────────────────────────
def test_a_manager_has_visits_planned(manager, tech, winter):
    path = f"{V1}visits/plan/"
    answer = manager.post(path, {"dealer": "NORTH"})
    assert answer.status_code == 200, answer.content
    body = answer.json()
    assert (body["planned"], body["unplanned"]) == (2, [])
    assert body["made_by"] in {"greedy", "solver"}
    assert body["cost"] <= body["greedy_cost"]
    shown = manager.get(f"{V1}visits/?ordering=id").json()["results"]
    assert {row["technician_username"] for row in shown} == {"techA"}
    assert {row["minutes"] for row in shown} == {70}
    assert manager.post(path, {"dealer": "NORTH"}).json()["made_by"] == "kept"
    refused(tech.post(path, {"dealer": "NORTH"}), 403)
    refused(manager.post(path, {"dealer": "SOUTH"}), 422, "/dealer")
    refused(manager.post(path, {"dealer": "NORTH", "anew": "perhaps"}), 422, "/anew")
    refused(manager.post(path, {}), 422, "/dealer")


def test_days_off_and_blackouts_are_entered_and_kept(manager, tech, winter):
    members = manager.get(f"{V1}memberships/?role=technician").json()["results"]
    off = {"membership": members[0]["id"], "first_day": "2027-01-12", "last_day": "2027-01-13"}
    made = manager.post(f"{V1}days-off/", off)
    assert made.status_code == 201, made.content
    assert made.json()["user_username"] == "techA"
    busy = {"customer": "Farm A1", "first_day": "2027-01-14", "last_day": "2027-01-15"}
    black = manager.post(f"{V1}blackouts/", busy)
    assert black.status_code == 201, black.content
    manager.post(f"{V1}visits/plan/", {"dealer": "NORTH"})
    planned = {
        row["customer_name"]: row["planned_on"]
        for row in tech.get(f"{V1}visits/").json()["results"]
    }
    assert planned == {"Farm A1": "2027-01-18", "Farm A2": "2027-01-14"}
    wrong = off | {"last_day": "2027-01-11"}
    refused(manager.post(f"{V1}days-off/", wrong), 422)
    refused(manager.post(f"{V1}days-off/", off | {"membership": 987654}), 422, "/membership")
    refused(manager.post(f"{V1}blackouts/", busy | {"customer": "Farm B1"}), 422, "/customer")
    refused(manager.post(f"{V1}blackouts/", busy | {"last_day": "soon"}), 422, "/last_day")
    path = f"{V1}blackouts/{black.json()['id']}/"
    assert manager.patch(path, {"reason": "harvest"}).json()["reason"] == "harvest"
    assert manager.put(path, manager.get(path).json()).status_code == 200
    assert manager.delete(path).status_code == 204
    refused(tech.post(f"{V1}blackouts/", busy), 403)
    assert len(tech.get(f"{V1}days-off/?ends_after=2027-01-13").json()["results"]) == 1
    assert tech.get(f"{V1}days-off/?starts_before=2027-01-12").json()["results"] == []


def test_a_days_off_of_another_dealers_technician_cannot_be_entered(manager, world):
    foreign = world.users["techB"].memberships.get()
    body = {"membership": foreign.pk, "first_day": "2027-01-12", "last_day": "2027-01-13"}
    answer = refused(manager.post(f"{V1}days-off/", body), 422, "/membership")
    absent = refused(manager.post(f"{V1}days-off/", body | {"membership": 987654}), 422)
    assert answer["errors"][0]["reason"] == absent["errors"][0]["reason"]


def test_what_a_plan_reads_of_dealers_people_and_customers_can_be_entered(admin, manager, world):
    path = f"{V1}dealers/{world.dealers['A'].pk}/"
    values = {
        "country": "PL", "language": "de", "tells_customers": True, "latitude": 52.4,
        "longitude": 16.9, "travel_speed_kmh": 60, "minutes_per_machine": 25,
        "minutes_per_sensor": 15,
    }  # fmt: skip
    answer = admin.patch(path, values)
    assert answer.status_code == 200, answer.content
    assert {name: answer.json()[name] for name in values} == values
    assert StaleSensor.objects.filter(sensor=world.sensors["A1"]).exists()  # other holidays
    refused(admin.patch(path, {"country": "XX"}), 422, "/country")
    refused(admin.patch(path, {"subdivision": "BY"}), 422, "/subdivision")
    refused(admin.patch(path, {"latitude": 91}), 422, "/latitude")
    refused(admin.patch(path, {"latitude": None}), 422)
    refused(admin.patch(path, {"language": "xx"}), 422, "/language")
    member = world.users["techA"].memberships.get()
    path = f"{V1}memberships/{member.pk}/"
    values = {"hours_per_day": 6.5, "working_days": "1346", "latitude": 52, "longitude": 17}
    assert manager.patch(path, values).status_code == 200
    assert manager.get(path).json()["working_days"] == "1346"
    refused(manager.patch(path, {"working_days": "6431"}), 422, "/working_days")
    refused(manager.patch(path, {"hours_per_day": 30}), 422, "/hours_per_day")
    path = f"{V1}customers/{world.customers['A1'].pk}/"
    assert manager.patch(path, {"latitude": 52, "longitude": 17}).json()["latitude"] == 52
    made = manager.post(f"{V1}customers/", {"name": "Neu", "latitude": 52, "longitude": 17})
    assert made.json()["longitude"] == 17


def test_a_customers_position_is_contact_data(reviewer, manager, world):
    path = f"{V1}customers/{world.customers['A1'].pk}/"
    manager.patch(path, {"latitude": 52, "longitude": 17})
    assert "latitude" not in reviewer.get(path).json()


def test_a_policy_may_let_a_record_lengthen_the_interval(manager, world):
    made = manager.post(f"{V1}policies/", {"longest_interval_days": 700})
    assert made.json()["longest_interval_days"] == 700
    path = f"{V1}policies/{made.json()['id']}/"
    refused(manager.patch(path, {"longest_interval_days": 364}), 422)
    assert manager.patch(path, {"longest_interval_days": None}).status_code == 200


# ── Due days ──────────────────────────────────────────────────────────────────
def test_a_due_day_has_its_reasons(tech, manager, reviewer, world):
    world.season("A1", 2026)
    ModelInterval.objects.create(
        sensor_model=world.sensor_model, target=0.9, lower_days=200.0, confidence=0.9,
        longest_seen_days=800, basis="weibull", outcomes=100, beyond=12, calibrations=1,
        learnt_at=WINTER, applied=True, method="x",
    )  # fmt: skip
    due.refresh([world.sensors["A1"].pk], now=WINTER)
    path = f"{V1}sensors/{world.sensors['A1'].pk}/due/"
    body = tech.get(path).json()
    assert (body["due_on"], body["decided_by"]) == ("2026-09-26", "reliability")
    assert body["says"].startswith("Sensors of LC-500: for 200 days 90 %")
    assert [each["reason"] for each in body["candidates"]] == ["reliability", "interval", "season"]
    refused(reviewer.get(path), 403)
    rows = tech.get(f"{V1}reminders/?why=reliability&status=open").json()["results"]
    assert [row["sensor_serial"] for row in rows] == ["S-A1"]
    history = tech.get(f"{V1}sensors/{world.sensors['A1'].pk}/history/").json()
    due_then = history["due"]
    assert (due_then["due_on"], due_then["decided_by"]) == ("2026-09-26", "reliability")


def test_one_that_sits_nowhere_is_not_due(manager, tech, world):
    made = manager.post(
        f"{V1}sensors/", {"serial": "S-NEW", "model": "LC-500", "dealer": "NORTH"}
    ).json()
    body = tech.get(f"{V1}sensors/{made['id']}/due/").json()
    assert (body["due_on"], body["candidates"]) == (None, [])


# ── How far it is ─────────────────────────────────────────────────────────────
def test_readiness_counts_what_is_ready_planned_and_done(manager, reviewer, winter):
    world = winter
    path = f"{V1}dealers/{world.dealers['A'].pk}/readiness/"
    before = manager.get(path).json()
    assert (before["season"], before["season_starts_on"]) == (2027, "2027-03-20")
    assert (before["sensors"], before["sensors_ready"], before["share_ready"]) == (4, 0, 0.0)
    assert (before["overdue"], before["forecast_share_ready"], before["plan"]) == (4, 0.0, None)
    manager.post(f"{V1}visits/plan/", {"dealer": "NORTH"})
    planned = manager.get(path).json()
    assert (planned["sensors_planned"], planned["sensors_not_planned"]) == (4, 0)
    assert (planned["share_ready"], planned["forecast_share_ready"]) == (0.0, 1.0)
    assert planned["weeks"] == [
        {"week": "2027-01-11", "machines_planned": 2, "machines_done": 0, "planned_so_far": 2,
         "done_so_far": 0}
    ]  # fmt: skip
    when = datetime(2027, 1, 12, 10, 0, tzinfo=UTC)
    for which in ("A1", "A1b", "A2"):
        draft = world.draft(which, performed_at=when)
        records.record_calibration(draft, scope=SYSTEM, now=when)
    with time_machine.travel(when, tick=False):
        after = manager.get(path).json()
    assert (after["sensors_ready"], after["machines_ready"]) == (3, 1)
    assert (after["share_ready"], after["forecast_share_ready"]) == (0.75, 1.0)
    assert (after["weeks"][0]["machines_done"], after["overdue"]) == (1, 1)
    # The last visit is missed: what nobody will do is no forecast.
    with time_machine.travel(when + timedelta(days=3), tick=False):
        missed = manager.get(path).json()
    assert (missed["forecast_share_ready"], missed["sensors_not_planned"]) == (0.75, 1)
    refused(reviewer.get(path), 403)


def test_what_has_no_day_stands_in_the_readiness(manager, winter):
    winter.users["techA"].memberships.all().delete()
    manager.post(f"{V1}visits/plan/", {"dealer": "NORTH"})
    plan = manager.get(f"{V1}dealers/{winter.dealers['A'].pk}/readiness/").json()["plan"]
    assert [row["customer_name"] for row in plan["unplanned"]] == ["Farm A1", "Farm A2"]
    assert "no active technician" in plan["unplanned"][0]["reason"]


def test_readiness_is_of_the_callers_dealers(winter):
    plan_visits(now=WINTER)
    for name, codes in (("managerA", ["NORTH"]), ("admin", ["NORTH", "SOUTH"]), ("reviewer", [])):
        scope = scope_of(winter.users[name])
        assert [row["dealer_code"] for row in readiness(scope=scope, now=WINTER)] == codes


# ── Mails ─────────────────────────────────────────────────────────────────────
def test_the_backlog_of_mails_is_visible(manager, tech, world):
    dealer = world.dealers["A"]
    Digest.objects.create(
        dealer=dealer, day=date(2027, 1, 11), subject="s", body="b", attempts=3,
        last_error="ConnectionRefusedError",
    )  # fmt: skip
    Digest.objects.create(
        dealer=dealer, day=date(2027, 1, 10), subject="s", body="b", sent_at=WINTER
    )
    visit = Visit.objects.create(
        customer=world.customers["A1"], season=2027, planned_on=date(2027, 2, 1),
        due_on=date(2027, 2, 1), updated_at=WINTER,
    )  # fmt: skip
    CustomerNote.objects.create(
        visit=visit, planned_on=date(2027, 2, 1), subject="s", body="b", last_error="no"
    )
    (waiting,) = manager.get(f"{V1}digests/?waiting=true").json()["results"]
    assert (waiting["attempts"], waiting["last_error"]) == (3, "ConnectionRefusedError")
    (note,) = manager.get(f"{V1}customer-notes/?waiting=true&customer=Farm A1").json()["results"]
    assert note["customer_name"] == "Farm A1"
    refused(tech.get(f"{V1}digests/"), 403)
    refused(manager.get(f"{V1}digests/?waiting=maybe"), 400)
