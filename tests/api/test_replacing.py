"""PUT replaces a row (RFC 9110, 9.3.4): what it leaves out goes back to its default."""

from datetime import date

import pytest

from calibration.models import StaleSensor, Webhook
from tests.api.conftest import V1, refused

BY_ADMIN = {"dealers": "dealers", "machine-models": "machine_model",
            "sensor-models": "sensor_model"}  # fmt: skip
BY_MANAGER = (
    "users", "memberships", "customers", "machines", "sensors", "installations", "references",
    "policies", "visits", "webhooks", "days-off", "blackouts",
)  # fmt: skip


def test_what_was_read_can_be_put_back(admin, manager, world, rows, settings):
    settings.WEBHOOK_NETWORKS = ["127.0.0.0/8"]
    Webhook.objects.update(url="http://127.0.0.1:9/x")
    catalogue = {name: getattr(world, row).pk for name, row in BY_ADMIN.items() if row != name}
    keys = {name: own["A"] for name, own in rows.items()} | catalogue
    for name in (*BY_ADMIN, *BY_MANAGER):
        client = admin if name in BY_ADMIN else manager
        path = f"{V1}{name}/{keys[name]}/"
        read = client.get(path).json()
        answer = client.put(path, read)
        assert answer.status_code == 200, (name, answer.json())
        again = client.get(path).json()
        assert {**again, "updated_at": None} == {**read, "updated_at": None}, name


# What is entered in full, what must be said, and what is there when no more is said.
FULL = {
    "dealers": (
        {"code": "EAST", "name": "Ost", "email": "a@b.example", "timezone": "Europe/Kyiv",
         "load_unit": "lbf", "season_start": "04-11", "reminder_lead_days": 3, "country": "PL",
         "tells_customers": True, "latitude": 50.0, "longitude": 20.0, "minutes_per_sensor": 9},
        ("code", "name"),
    ),
    "customers": (
        {"dealer": "NORTH", "name": "Hof", "email": "h@n.example", "phone": "12",
         "latitude": 50.0, "longitude": 20.0},
        ("name",),
    ),
    "machine-models": ({"name": "Neu 12", "kind": "planter", "rows": 12}, ("name",)),
    "sensor-models": (
        {"name": "LC-9", "rated_load": 300.0, "load_unit": "daN", "reading_unit": "mV/V",
         "reading_min": -1.0, "reading_max": 5.0, "nominal_slope": 0.01, "nominal_offset": 0.2,
         "repeatability_pct": 0.9},
        ("name", "rated_load", "load_unit"),
    ),
    "references": (
        {"dealer": "NORTH", "name": "cell 9", "kind": "transfer_cell", "serial": "9",
         "relative_uncertainty_pct": 0.1, "certificate": "C 9", "valid_until": "2027-01-01"},
        ("name",),
    ),
    "sensors": (
        {"dealer": "NORTH", "serial": "S-NEW", "model": "LC-500", "lot": "L9",
         "tag": {"zero_reading": 1, "span_reading": 2, "span_load": 3, "load_unit": "N"}},
        ("serial", "model"),
    ),
    "policies": (
        {"dealer": "NORTH", "slope_tolerance_pct": 9.0, "offset_tolerance_pct": 8.0,
         "flag_probability": 0.7, "default_interval_days": 90, "longest_interval_days": 99,
         "setpoints": [10, 20], "load_unit": "lbf"},
        (),
    ),
}  # fmt: skip


@pytest.mark.parametrize("resource", FULL)
def test_what_is_left_out_is_as_where_it_was_never_said(admin, world, resource):
    body, needed = FULL[resource]
    made = admin.post(f"{V1}{resource}/", body)
    assert made.status_code == 201, made.json()
    path = f"{V1}{resource}/{made.json()['id']}/"
    least = {name: body[name] for name in needed}
    answer = admin.put(path, least)
    assert answer.status_code == 200, answer.json()
    replaced = admin.get(path).json()
    # Beside it, one that is entered with no more: the same but for its key and its name.
    other = {"code": "WEST", "name": "Another", "serial": "S-OTHER"}
    owner = {"dealer": "SOUTH"} if "dealer" in body else {}
    bare = admin.post(f"{V1}{resource}/", least | owner | {
        name: value for name, value in other.items() if name in needed
    })  # fmt: skip
    assert bare.status_code == 201, bare.json()
    own = {"id", "dealer", "dealer_code", *other}
    expected = {name: value for name, value in bare.json().items() if name not in own}
    assert {name: value for name, value in replaced.items() if name not in own} == expected
    if "dealer" in body:
        assert replaced["dealer_code"] == "NORTH"  # it stays
    for name in needed:
        short = {key: value for key, value in least.items() if key != name}
        refused(admin.put(path, short), 422, f"/{name}")
    assert admin.patch(path, {}).status_code == 200
    assert admin.get(path).json() == replaced


def test_a_put_without_the_day_of_removal_puts_a_sensor_back(manager, world):
    place = world.installations["A1"]
    path = f"{V1}installations/{place.pk}/"
    assert manager.patch(path, {"removed_on": "2026-03-01"}).status_code == 200
    read = manager.get(path).json()
    assert manager.patch(path, {"position": "row 5"}).json()["removed_on"] == "2026-03-01"
    del read["removed_on"]
    answer = manager.put(path, read)
    assert answer.json()["removed_on"] is None
    assert answer.json()["position"] == place.position
    assert StaleSensor.objects.filter(sensor=place.sensor_id).exists()


def test_a_person_keeps_the_password_where_none_is_given(manager, client_of, world):
    person = world.users["techA"]
    path = f"{V1}users/{person.pk}/"
    before = person.password
    tech = client_of("techA")
    read = manager.get(path).json()
    answer = manager.put(path, {"username": read["username"]})
    assert answer.status_code == 200, answer.json()
    assert answer.json() == read | {"email": "", "first_name": "", "last_name": ""}
    person.refresh_from_db()
    assert person.password == before
    assert tech.get(f"{V1}sensors/").status_code == 200
    refused(manager.put(path, {"username": "techA", "dealer": "NORTH"}), 422, "/dealer")
    refused(manager.post(f"{V1}users/", {"username": "neu"}), 422, "/password")


def test_a_visit_keeps_where_it_stands(manager, world):
    body = {"customer": "Farm A1", "planned_on": "2027-01-12", "note": "gate on the left",
            "technician": "techA", "due_on": "2027-02-01"}  # fmt: skip
    made = manager.post(f"{V1}visits/", body).json()
    path = f"{V1}visits/{made['id']}/"
    assert manager.patch(path, {"status": "confirmed"}).status_code == 200
    answer = manager.put(path, {"customer": "Farm A1", "planned_on": "2027-01-13"}).json()
    assert (answer["note"], answer["technician"]) == ("", None)
    assert (answer["status"], answer["due_on"]) == ("confirmed", "2027-02-01")
    assert date.fromisoformat(answer["planned_on"]) == date(2027, 1, 13)
    refused(manager.put(path, {"customer": "Farm A1"}), 422, "/planned_on")


def test_the_description_says_what_stays(admin):
    paths = admin.get("/api/schema/", HTTP_ACCEPT="application/vnd.oai.openapi+json").json()[
        "paths"
    ]
    said = {
        name: paths[f"{V1}{name}/{{id}}/"]["put"]["description"]
        for name in ("customers", "visits", "users", "machine-models")
    }
    assert said["customers"].endswith("These stay: dealer.")
    assert "status" in said["visits"]
    assert said["users"].endswith("These stay: password.")
    assert "stay" not in said["machine-models"]
    assert "default" in said["machine-models"]
