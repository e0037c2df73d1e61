"""What is edited on the desk is judged again and due anew, as what is edited through the API."""

from datetime import date

import pytest

from calibration.models import DueState, PackedHistory, StaleSensor
from fleet import registry
from fleet.models import ChangedSeat, Installation, Sensor
from tests.conftest import SYSTEM
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


@pytest.fixture
def manager(world):
    return signed_in(world.users["managerA"])


@pytest.fixture
def admin(world):
    return signed_in(world.users["admin"])


def marked() -> set[str]:
    return set(StaleSensor.objects.values_list("sensor__serial", flat=True))


def due_on(world, which):
    return DueState.objects.filter(sensor=world.sensors[which]).values_list("due_on", flat=True)


def machine_form(machine, **changes) -> dict:
    said = {"customer": machine.customer_id, "model": machine.model_id, "serial": machine.serial}
    return said | {"name": ""} | changes


def test_a_resale_marks_what_sits_on_the_machine_and_refreshes_its_due_days(world, admin):
    world.season("A1", 2026)
    before, machine = list(due_on(world, "A1")), world.machines["A1"]
    StaleSensor.objects.all().delete()
    sold = machine_form(machine, customer=world.customers["B1"].pk)
    assert admin.post(page(machine, "change", machine.pk), sold).status_code == 302
    assert Sensor.objects.get(serial="S-A1").dealer == world.dealers["B"]
    assert marked() == {"S-A1", "S-A1b"}
    # Seeding starts in October at the buyer's, in March at the seller's.
    assert list(due_on(world, "A1")) != before


def test_another_name_of_a_machine_marks_nobody(world, manager):
    machine = world.machines["A1"]
    form = machine_form(machine, name="The old one")
    assert manager.post(page(machine, "change", machine.pk), form).status_code == 302
    assert marked() == set()


def test_installing_removing_and_putting_back_marks_and_refreshes(world, manager):
    ChangedSeat.objects.all().delete()
    place = world.installations["A1"]
    address = page(place, "change", place.pk)
    form = {"position": place.position, "installed_on": "2020-01-01", "removed_on": ""}
    assert manager.post(address, form).status_code == 302
    assert marked() == set()  # nothing was changed
    assert manager.post(address, form | {"removed_on": "2026-03-01"}).status_code == 302
    assert (marked(), list(due_on(world, "A1"))) == ({"S-A1"}, [])
    StaleSensor.objects.all().delete()
    new = {
        "sensor": place.sensor_id, "machine": world.machines["A2"].pk, "position": "row 4",
        "installed_on": "2026-03-02",
    }  # fmt: skip
    assert manager.post(page(Installation, "add"), new).status_code == 302
    assert (marked(), list(due_on(world, "A1"))) == ({"S-A1"}, [date(2026, 3, 2)])


def test_a_removal_that_is_cleared_is_taken_back(world, manager):
    place = world.installations["A1"]
    registry.remove_sensor(scope=SYSTEM, installation=place, removed_on=date(2026, 3, 1))
    form = {"position": place.position, "installed_on": "2020-01-01", "removed_on": ""}
    assert manager.post(page(place, "change", place.pk), form).status_code == 302
    place.refresh_from_db()
    assert place.removed_on is None
    assert marked() == {"S-A1"}
    assert list(due_on(world, "A1")) == [date(2020, 1, 1)]


def test_a_removal_stays_where_somebody_else_sits_by_now(world, manager):
    place = world.installations["A1"]
    registry.replace_sensor(
        scope=SYSTEM, installation=place, on=date(2026, 3, 1),
        sensor=registry.register_sensor(
            scope=SYSTEM, dealer=world.dealers["A"], serial="S-NEW", model=world.sensor_model
        ),
    )  # fmt: skip
    form = {"position": place.position, "installed_on": "2020-01-01", "removed_on": ""}
    answer = manager.post(page(place, "change", place.pk), form)
    assert answer.status_code == 200
    assert answer.context["adminform"].form.errors
    place.refresh_from_db()
    assert place.removed_on == date(2026, 3, 1)


TAG = {
    "tag_zero_reading": "20010", "tag_span_reading": "30020", "tag_span_load": "100",
    "tag_load_unit": "daN",
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "touched"), [({}, set()), (TAG, {"S-A1"}), ({"lot": "L2"}, {"S-A1"})]
)
def test_a_sensor_of_another_tag_or_lot_is_judged_from_its_records(
    world, manager, change, touched
):
    world.season("A1", 2025)
    sensor = world.sensors["A1"]
    form = {"serial": sensor.serial, "model": sensor.model_id, "lot": "L1"} | change
    assert manager.post(page(sensor, "change", sensor.pk), form).status_code == 302
    assert marked() == touched
    packed = PackedHistory.objects.filter(sensor=sensor, calibrations__gt=0)
    assert packed.exists() is not bool(touched)
