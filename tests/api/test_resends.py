"""What is sent again after the register has changed is still one record."""

import uuid
from datetime import date

import pytest

from calibration.models import Calibration, FunctionalTest
from fleet import registry
from tests.api.conftest import V1, calibration, refused
from tests.conftest import SYSTEM

CALIBRATIONS, TESTS = f"{V1}calibrations/", f"{V1}functional-tests/"


def resold(world, machine="M-A1", to="B1"):
    machine = next(row for row in world.machines.values() if row.serial == machine)
    return registry.transfer_machine(scope=SYSTEM, machine=machine, customer=world.customers[to])


def weighed(world, **changes):
    """Return a calibration against the scale of dealer A, as a client sends it."""
    return calibration(id=str(uuid.uuid4()), reference=world.references["A"].pk, **changes)


def sent_test(**changes):
    steps = [
        {"commanded": 50, "displayed_mean": 51, "pressure": 40},
        {"commanded": 100, "displayed_mean": 99, "pressure": 80},
    ]
    body = {"id": str(uuid.uuid4()), "sensor": "S-A1", "steps": steps}
    return body | {"performed_at": "2026-03-11T10:00:00"} | changes


def test_a_calibration_sent_again_after_a_resale_is_one_record(admin, world):
    body = weighed(world)
    assert admin.post(CALIBRATIONS, body).status_code == 201
    resold(world)
    again = admin.post(CALIBRATIONS, body)
    assert again.status_code == 200, again.json()
    assert again.json()["id"] == body["id"]
    refused(admin.post(CALIBRATIONS, body | {"note": "changed"}), 409, "/id")
    (item,) = admin.post(f"{CALIBRATIONS}batch/", [body]).json()["results"]
    assert item["status"] == 200
    assert Calibration.objects.count() == 1


def test_a_calibration_sent_again_after_its_reference_was_renamed_is_one_record(admin, world):
    body = weighed(world)
    assert admin.post(CALIBRATIONS, body).status_code == 201
    where = f"{V1}references/{world.references['A'].pk}/"
    assert admin.patch(where, {"name": "the old scale"}).status_code == 200
    assert admin.post(CALIBRATIONS, body).status_code == 200
    refused(admin.post(CALIBRATIONS, body | {"reference": None}), 409, "/id")
    assert Calibration.objects.count() == 1


def test_a_new_calibration_uses_its_own_dealer_s_references(admin, world):
    resold(world)
    error = refused(admin.post(CALIBRATIONS, weighed(world)), 422, "/reference")["errors"][0]
    assert error["value"] == "scale 1"
    assert error["accepted"]


def test_a_calibration_sent_again_after_its_model_s_range_changed_is_one_record(admin, world):
    body = weighed(world)
    assert admin.post(CALIBRATIONS, body).status_code == 201
    model = f"{V1}sensor-models/{world.sensor_model.pk}/"
    assert admin.patch(model, {"reading_max": 25000}).status_code == 200
    refused(admin.post(CALIBRATIONS, weighed(world)), 422, "/points/1/reading")
    assert admin.post(CALIBRATIONS, body).status_code == 200


def test_a_correction_after_a_resale_keeps_the_reference(admin, stranger, reviewer, world):
    wrong = admin.post(CALIBRATIONS, weighed(world)).json()
    resold(world)
    right = weighed(world, supersedes=wrong["id"], supersede_reason="the day was wrong")
    assert admin.post(CALIBRATIONS, right).status_code == 201
    other = weighed(world, supersedes=right["id"], supersede_reason="x")
    other["reference"] = world.references["B"].pk
    assert admin.post(f"{CALIBRATIONS}check/", other).status_code == 200
    # It is the new dealer's record; the reference and its name stay the former dealer's to see.
    hidden = stranger.get(f"{CALIBRATIONS}{right['id']}/").json()
    assert (hidden["reference"], hidden["reference_name"]) == (None, "")
    assert "scale 1" not in str(hidden["explain"])
    assert reviewer.get(f"{CALIBRATIONS}{right['id']}/").json()["reference_name"] == "scale 1"


def test_a_correction_names_no_third_reference(admin, world):
    wrong = admin.post(CALIBRATIONS, calibration(id=str(uuid.uuid4()))).json()
    resold(world)
    right = weighed(world, supersedes=wrong["id"], supersede_reason="forgot the scale")
    refused(admin.post(CALIBRATIONS, right), 422, "/reference")


def moved(world, on, to="A2"):
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date.fromisoformat(on)
    )
    return registry.install_sensor(
        scope=SYSTEM, sensor=world.sensors["A1"], machine=world.machines[to], position="row 3",
        installed_on=date.fromisoformat(on),
    )  # fmt: skip


@pytest.mark.parametrize("on", ["2026-03-11", "2026-03-20"])
def test_a_functional_test_by_sensor_sent_again_after_a_move_is_one_record(tech, world, on):
    body = sent_test()
    first = tech.post(TESTS, body)
    assert first.status_code == 201
    moved(world, on)
    again = tech.post(TESTS, body)
    assert again.status_code == 200, again.json()
    assert again.json()["machine_serial"] == "M-A1"
    refused(tech.post(TESTS, body | {"note": "changed"}), 409, "/id")
    assert FunctionalTest.objects.count() == 1


def test_a_functional_test_sent_again_after_its_sensor_was_removed_is_one_record(tech, world):
    by_sensor, here = sent_test(), world.installations["A1"].pk
    by_place = sent_test(installation=here, performed_at="2026-03-12T10:00:00")
    for body in (by_sensor, by_place):
        assert tech.post(TESTS, body).status_code == 201
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2026, 3, 10)
    )
    for body in (by_sensor, by_place, by_sensor | {"installation": here}):
        assert tech.post(TESTS, body).status_code == 200
    refused(tech.post(TESTS, sent_test(installation=here)), 422, "/performed_at")
    refused(tech.post(TESTS, sent_test()), 422, "/sensor")


def test_a_functional_test_is_of_the_place_where_the_sensor_sat_then(tech, world):
    moved(world, "2026-03-20")
    assert tech.post(TESTS, sent_test()).json()["machine_serial"] == "M-A1"
    later = sent_test(performed_at="2026-03-20T10:00:00")
    assert tech.post(TESTS, later).json()["machine_serial"] == "M-A2"
    refused(tech.post(TESTS, sent_test(performed_at="2019-03-20T10:00:00")), 422, "/performed_at")


def test_a_functional_test_sent_again_after_a_resale_means_what_it_meant(admin, world):
    body = sent_test()  # no offset, no units: the clock and the units of the dealer
    made = admin.post(TESTS, body).json()
    resold(world)
    again = admin.post(TESTS, body)
    assert again.status_code == 200, again.json()
    assert again.json()["performed_at"] == made["performed_at"] == "2026-03-11T09:00:00Z"
    assert again.json()["load_unit"] == made["load_unit"] == "daN"
    moved_on = sent_test(performed_at="2026-03-11T08:00:00")  # São Paulo, three hours behind UTC
    assert admin.post(TESTS, moved_on).json()["performed_at"] == "2026-03-11T11:00:00Z"


# ── The dealer's clock was set to another zone ────────────────────────────────
LOCAL = "2026-03-10T09:00:00"  # in Warsaw at first; the world's dealer A is there


def zone_of(world, admin, zone, dealer="A"):
    where = f"{V1}dealers/{world.dealers[dealer].pk}/"
    assert admin.patch(where, {"timezone": zone}).status_code == 200


@pytest.mark.parametrize("kind", ["calibration", "test"])
def test_a_local_time_sent_again_after_the_zone_was_edited_is_one_record(admin, world, kind):
    path = CALIBRATIONS if kind == "calibration" else TESTS
    body = weighed(world, performed_at=LOCAL) if kind == "calibration" else sent_test()
    assert admin.post(path, body).status_code == 201
    for zone in ("Asia/Tokyo", "America/Denver", "Asia/Tokyo"):
        zone_of(world, admin, zone)
        again = admin.post(path, body)
        assert again.status_code == 200, again.json()
        assert again.json()["performed_at"].startswith(("2026-03-10T08", "2026-03-11T09"))
    later = body | {"performed_at": body["performed_at"].replace(":00:00", ":30:00")}
    refused(admin.post(path, later), 409, "/id")
    if kind == "calibration":
        (item,) = admin.post(f"{path}batch/", [body]).json()["results"]
        assert item["status"] == 200


def test_a_time_that_was_right_in_a_zone_before_the_record_is_another_time(admin, world):
    zone_of(world, admin, "Asia/Tokyo")
    zone_of(world, admin, "Europe/Warsaw")
    body = weighed(world, performed_at=LOCAL)
    assert admin.post(CALIBRATIONS, body).status_code == 201
    zone_of(world, admin, "America/Denver")
    tokyo = body | {"performed_at": "2026-03-10T17:00:00"}  # the same moment by that clock
    refused(admin.post(CALIBRATIONS, tokyo), 409, "/id")
    assert admin.post(CALIBRATIONS, body).status_code == 200


def test_a_time_with_its_offset_means_the_same_whatever_the_zone_was(admin, world):
    body = weighed(world, performed_at=LOCAL)
    assert admin.post(CALIBRATIONS, body).status_code == 201
    zone_of(world, admin, "Asia/Tokyo")
    assert admin.post(CALIBRATIONS, body | {"performed_at": f"{LOCAL}+01:00"}).status_code == 200
    refused(admin.post(CALIBRATIONS, body | {"performed_at": f"{LOCAL}+02:00"}), 409, "/id")


def test_a_local_time_sent_again_after_a_resale_to_another_zone_is_one_record(admin, world):
    body = weighed(world, performed_at=LOCAL)
    assert admin.post(CALIBRATIONS, body).status_code == 201
    zone_of(world, admin, "America/Denver", dealer="B")
    resold(world)
    assert admin.post(CALIBRATIONS, body).status_code == 200
