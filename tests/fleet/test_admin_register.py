"""Saving on the desk goes through the register's services; a refusal stands at its field."""

from datetime import date

import pytest
from django.urls import reverse

from fleet import registry
from fleet.errors import Conflict, Problem
from fleet.models import Customer, Installation, Machine, Membership, Role, Sensor, User
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _no_files(settings):
    without_files(settings)


@pytest.fixture
def manager(world):
    return signed_in(world.users["managerA"])


def errors_of(answer) -> dict:
    assert answer.status_code == 200, "a refused form is shown again"
    return answer.context["adminform"].form.errors


def test_a_customer_is_entered(world, manager):
    data = {"dealer": world.dealers["A"].pk, "name": "Halm Gård", "email": "", "phone": ""}
    assert manager.post(page(Customer, "add"), data).status_code == 302
    assert Customer.objects.get(name="Halm Gård").dealer == world.dealers["A"]
    refused = errors_of(manager.post(page(Customer, "add"), data | {"name": "HALM Gård"}))
    assert "already has a customer of that name" in str(refused)


@pytest.mark.parametrize("name", ["Halm\x07 Gård", "Halm\nGård", "Halm\x85Gård"])
def test_a_name_with_a_control_character_is_refused_at_its_field(world, manager, name):
    data = {"dealer": world.dealers["A"].pk, "name": name, "email": "", "phone": ""}
    errors = errors_of(manager.post(page(Customer, "add"), data))
    assert "Holds the character U+00" in str(errors["name"])
    assert "printable text in one line" in str(errors["name"])
    one = page(Customer, "change", world.customers["A1"].pk)
    assert "name" in errors_of(manager.post(one, data))
    assert not Customer.objects.filter(name__contains="Gård").exists()


def test_another_dealers_rows_are_no_choice(world, manager):
    data = {"dealer": world.dealers["B"].pk, "name": "Smuggled", "email": "", "phone": ""}
    assert "dealer" in errors_of(manager.post(page(Customer, "add"), data))
    machine = {
        "customer": world.customers["B1"].pk,
        "model": world.machine_model.pk,
        "serial": "M-X",
        "name": "",
    }
    assert "customer" in errors_of(manager.post(page(Machine, "add"), machine))
    assert not Machine.objects.filter(serial="M-X").exists()


def test_a_service_that_refuses_late_ends_at_its_field_and_stores_nothing(
    world, manager, monkeypatch
):
    def lost_the_race(**_):
        Sensor.objects.create(
            dealer=world.dealers["A"], serial="HALF-STORED", model=world.sensor_model
        )
        raise Conflict(Problem("serial", "Taken a moment ago", "another serial"))

    monkeypatch.setattr(registry, "register_sensor", lost_the_race)
    data = {"dealer": world.dealers["A"].pk, "serial": "S-NEW", "model": world.sensor_model.pk}
    answer = manager.post(page(Sensor, "add"), data)
    assert errors_of(answer)["serial"] == ["Taken a moment ago. Accepted: another serial."]
    assert not Sensor.objects.filter(serial__in=["S-NEW", "HALF-STORED"]).exists()


@pytest.mark.parametrize(
    "serial", ["S-A1", "s-a1", "S-\u0410\N{DIGIT ONE}", "S A1 ", "", "x" * 41]
)
def test_a_serial_that_cannot_be_is_refused_at_its_field(world, manager, serial):
    data = {"dealer": world.dealers["A"].pk, "serial": serial, "model": world.sensor_model.pk}
    before = Sensor.objects.count()
    answer = manager.post(page(Sensor, "add"), data)
    if serial == "S A1 ":  # the form strips the ends; the rest is a serial
        assert answer.status_code == 302
        assert Sensor.objects.filter(serial="S A1").exists()
        return
    assert errors_of(answer)
    assert Sensor.objects.count() == before


def test_a_half_written_tag_is_refused_and_a_whole_one_is_kept(world, manager):
    data = {"dealer": world.dealers["A"].pk, "serial": "S-TAG", "model": world.sensor_model.pk}
    half = data | {"tag_zero_reading": "20000"}
    assert "A tag has a zero reading" in str(errors_of(manager.post(page(Sensor, "add"), half)))
    whole = half | {"tag_span_reading": "30000", "tag_span_load": "100", "tag_load_unit": "daN"}
    assert manager.post(page(Sensor, "add"), whole).status_code == 302
    assert Sensor.objects.get(serial="S-TAG").tag_span_load == 100.0


def test_a_serial_with_records_is_fixed(world, manager):
    world.season("A1", 2025)
    sensor = world.sensors["A1"]
    data = {"dealer": sensor.dealer_id, "serial": "S-OTHER", "model": sensor.model_id, "lot": "L1"}
    answer = manager.post(page(sensor, "change", sensor.pk), data)
    assert "sealed records" in errors_of(answer)["serial"][0]
    sensor.refresh_from_db()
    assert sensor.serial == "S-A1"


def test_a_resale_takes_machine_and_sensors_to_the_new_dealer(world):
    machine = world.machines["A1"]
    data = {
        "customer": world.customers["B1"].pk,
        "model": machine.model_id,
        "serial": machine.serial,
        "name": "",
    }
    answer = signed_in(world.users["admin"]).post(page(machine, "change", machine.pk), data)
    assert answer.status_code == 302
    assert Sensor.objects.get(serial="S-A1").dealer == world.dealers["B"]
    technician = signed_in(world.users["techB"])
    shown = technician.get(page(Sensor, "change", world.sensors["A1"].pk)).content.decode()
    assert "S-A1" in shown
    assert "Farm A1" not in shown
    gone = signed_in(world.users["techA"]).get(page(Sensor, "change", world.sensors["A1"].pk))
    assert gone.status_code == 404


def test_installing_moving_and_removing(world, manager):
    sensor, machine = world.sensors["A1"], world.machines["A2"]
    data = {
        "sensor": sensor.pk,
        "machine": machine.pk,
        "position": "row 4",
        "installed_on": "2026-03-01",
    }
    assert "elsewhere" in str(errors_of(manager.post(page(Installation, "add"), data)))
    here = world.installations["A1"]
    removal = {"position": here.position, "installed_on": "2020-01-01", "removed_on": "2019-01-01"}
    answer = manager.post(page(here, "change", here.pk), removal)
    assert "before it was installed" in str(errors_of(answer))
    removal["removed_on"] = "2026-02-28"
    assert manager.post(page(here, "change", here.pk), removal).status_code == 302
    assert manager.post(page(Installation, "add"), data).status_code == 302
    overlapping = data | {"position": "row 5", "installed_on": "2026-02-01"}
    moved = Installation.objects.get(machine=machine, position="row 4")
    assert manager.post(
        page(moved, "change", moved.pk), {"position": "row 4", "installed_on": "2026-03-01",
                                          "removed_on": "2026-03-31"},
    ).status_code == 302  # fmt: skip
    assert "taken" in str(errors_of(manager.post(page(Installation, "add"), overlapping)))
    assert sensor.installations.order_by("pk").last().removed_on == date(2026, 3, 31)


def person(name: str, **changes):
    secret = "correct-horse-battery-42"
    return {
        "username": name, "email": "", "password1": secret,
        "password2": secret, "memberships-TOTAL_FORMS": "1", "memberships-INITIAL_FORMS": "0",
        **changes,
    }  # fmt: skip


def test_a_manager_makes_a_technician_of_their_own_dealer(world, manager):
    role = {"memberships-0-dealer": world.dealers["A"].pk, "memberships-0-role": Role.TECHNICIAN}
    answer = manager.post(page(User, "add"), person("newcomer", **role))
    assert answer.status_code == 302
    made = User.objects.get(username="newcomer")
    assert made.is_staff
    assert [held.dealer for held in made.memberships.all()] == [world.dealers["A"]]


@pytest.mark.parametrize(
    ("dealer", "role"),
    [
        ("B", "technician"),
        (None, "administrator"),
        (None, "warranty_reviewer"),
        ("A", "administrator"),
    ],
)
def test_a_manager_cannot_give_what_is_not_theirs(world, manager, dealer, role):
    key = world.dealers[dealer].pk if dealer else ""
    data = person("climber", **{"memberships-0-dealer": key, "memberships-0-role": role})
    answer = manager.post(page(User, "add"), data)
    assert answer.status_code == 200
    assert not User.objects.filter(username="climber").exists()
    own = Membership.objects.get(user=world.users["managerA"])
    data = {"user": own.user_id, "dealer": key, "role": role}
    assert manager.post(page(own, "change", own.pk), data).status_code == 200
    own.refresh_from_db()
    assert (own.role, own.dealer) == (Role.SERVICE_MANAGER, world.dealers["A"])


def test_a_person_without_a_role_is_not_left_behind(world, manager):
    answer = manager.post(page(User, "add"), person("ghost"))
    assert answer.status_code == 200
    assert "Give the person a role" in answer.content.decode()
    assert not User.objects.filter(username="ghost").exists()


def test_a_manager_does_not_take_over_the_account_of_somebody_higher(world, manager):
    boss = world.users["admin"]
    Membership.objects.create(user=boss, dealer=world.dealers["A"], role=Role.TECHNICIAN)
    assert manager.get(page(boss, "change", boss.pk)).status_code == 200
    data = {"username": boss.username, "is_active": ""}
    assert manager.post(page(boss, "change", boss.pk), data).status_code == 403
    door = reverse("admin:auth_user_password_change", args=[boss.pk])
    secret = {"password1": "correct-horse-battery-42", "password2": "correct-horse-battery-42"}
    assert manager.post(door, secret).status_code == 403
    boss.refresh_from_db()
    assert boss.is_active


def test_only_a_superuser_makes_superusers(world):
    boss = signed_in(world.users["admin"])
    someone = world.users["techA"]
    data = {
        "username": someone.username, "is_active": "on", "is_staff": "on", "is_superuser": "on",
        "memberships-TOTAL_FORMS": "0", "memberships-INITIAL_FORMS": "0",
    }  # fmt: skip
    assert boss.post(page(someone, "change", someone.pk), data).status_code == 302
    someone.refresh_from_db()
    assert not someone.is_superuser
