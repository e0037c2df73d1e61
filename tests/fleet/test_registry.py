"""The register: one place at a time, serials that can be trusted, machines that are resold."""

from datetime import date

import pytest
from django.db import DatabaseError, connection, transaction

from fleet import overlaps, registry
from fleet.errors import Conflict, Forbidden, Invalid
from fleet.models import ChangedSeat, Customer, Installation, Machine, Sensor
from tests.conftest import SYSTEM


def install(world, sensor, machine, position, day):
    return registry.install_sensor(
        scope=SYSTEM,
        sensor=world.sensors[sensor],
        machine=world.machines[machine],
        position=position,
        installed_on=day,
    )


def test_a_sensor_sits_in_one_place_at_a_time(world):
    with pytest.raises(Conflict, match="elsewhere"):
        install(world, "A1", "A2", "row 5", date(2025, 1, 1))


def test_a_position_holds_one_sensor(world):
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2025, 1, 1)
    )
    with pytest.raises(Conflict, match="Another sensor"):
        install(world, "A1", "A2", "row 1", date(2025, 2, 1))


def test_closed_times_do_not_overlap_either(world):
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2025, 1, 1)
    )
    with pytest.raises(Conflict, match="taken"):
        install(world, "A1", "A2", "row 5", date(2024, 6, 1))
    assert install(world, "A1", "A2", "row 5", date(2025, 1, 1)).pk


@pytest.mark.parametrize("change", ["insert", "update"])
def test_the_database_itself_refuses_overlaps(world, change):
    place = world.installations["A1"]
    registry.remove_sensor(scope=SYSTEM, installation=place, removed_on=date(2025, 1, 1))
    later = install(world, "A1", "A2", "row 5", date(2025, 1, 1))
    statement = (
        "UPDATE fleet_installation SET installed_on = '2024-12-31' WHERE id = %s"
        if change == "update"
        else "INSERT INTO fleet_installation (sensor_id, machine_id, position, installed_on, "
        "removed_on, start_is_inferred) SELECT sensor_id, machine_id, 'row 6', '2024-12-01', "
        "'2025-06-01', start_is_inferred FROM fleet_installation WHERE id = %s"
    )
    with (
        pytest.raises(DatabaseError, match="overlap"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement, [later.pk])
    assert overlaps.present(connection) == set(overlaps.RULES)


def test_a_replacement_is_one_step(world):
    spare = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="S-NEW", model=world.sensor_model
    )
    new = registry.replace_sensor(
        scope=SYSTEM, installation=world.installations["A1"], sensor=spare, on=date(2026, 3, 1)
    )
    assert (new.position, new.sensor_id) == ("row 1", spare.pk)
    assert Installation.objects.get(pk=world.installations["A1"].pk).removed_on == date(2026, 3, 1)


def test_a_resold_machine_takes_its_sensors_along_and_not_its_owner(world):
    world.season("A1", 2025)
    machine = world.machines["A1"]
    registry.transfer_machine(scope=SYSTEM, machine=machine, customer=world.customers["B1"])
    buyer, seller = world.scopes["managerB"], world.scopes["managerA"]
    assert Machine.objects.visible_to(buyer).filter(pk=machine.pk).exists()
    assert not Machine.objects.visible_to(seller).filter(pk=machine.pk).exists()
    assert Sensor.objects.visible_to(buyer).filter(serial="S-A1").exists()
    assert not Customer.objects.visible_to(buyer).filter(name="Farm A1").exists()


def test_one_dealer_cannot_take_anothers_machine(world):
    with pytest.raises(Forbidden):
        registry.transfer_machine(
            scope=world.scopes["managerB"],
            machine=world.machines["A1"],
            customer=world.customers["B1"],
        )


@pytest.mark.parametrize(
    "serial", ["", " S1", "S1 ", "\u0410B12", "S\u00a01", "S\n1", "x" * 41, "\uff11\uff12"]
)
def test_a_serial_that_cannot_be_trusted_is_refused(world, serial):
    with pytest.raises(Invalid):
        registry.register_sensor(
            scope=SYSTEM, dealer=world.dealers["A"], serial=serial, model=world.sensor_model
        )


def test_serials_differ_by_more_than_case(world):
    with pytest.raises(Conflict, match="already registered"):
        registry.register_sensor(
            scope=SYSTEM, dealer=world.dealers["A"], serial="s-a1", model=world.sensor_model
        )


def test_a_serial_with_records_stays(world):
    world.season("A1", 2025)
    sensor = Sensor.objects.get(serial="S-A1")
    with pytest.raises(Conflict, match="sealed"):
        registry.edit(sensor, scope=SYSTEM, serial="S-OTHER")
    registry.edit(Sensor.objects.get(serial="S-A1"), scope=SYSTEM, lot="L9")


def test_a_tag_is_whole_or_absent(world):
    with pytest.raises(Invalid, match="tag"):
        registry.register_sensor(
            scope=SYSTEM,
            dealer=world.dealers["A"],
            serial="S-TAG",
            model=world.sensor_model,
            tag={"zero_reading": 20000},
        )


# ── Who sits elsewhere than before ────────────────────────────────────────────
def changed(world):
    """Names of the sensors that are marked; forgets them."""
    marks = list(ChangedSeat.objects.values_list("sensor", flat=True))
    ChangedSeat.objects.all().delete()
    return sorted(name for name, sensor in world.sensors.items() if sensor.pk in marks)


def test_whoever_is_installed_edited_removed_or_replaced_is_marked(world):
    assert changed(world) == sorted(world.sensors)  # all were installed
    place = world.installations["A1"]
    registry.edit(place, scope=SYSTEM, installed_on=date(2019, 5, 1))
    assert changed(world) == ["A1"]
    registry.remove_sensor(scope=SYSTEM, installation=place, removed_on=date(2025, 1, 1))
    assert changed(world) == ["A1"]
    install(world, "A1", "A2", "row 5", date(2025, 2, 1))
    assert changed(world) == ["A1"]
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A2"], removed_on=date(2025, 1, 1)
    )
    registry.replace_sensor(
        scope=SYSTEM,
        installation=world.installations["B1"],
        sensor=world.sensors["A2"],
        on=date(2025, 3, 1),
    )
    assert changed(world) == ["A2", "B1"]
    registry.edit(world.sensors["A1"], scope=SYSTEM, lot="L9")
    assert changed(world) == []  # it sits where it sat


def test_the_sensors_of_a_resold_machine_are_marked(world):
    changed(world)
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines["A1"], customer=world.customers["B1"]
    )
    assert changed(world) == ["A1", "A1b"]


def test_what_was_refused_marks_nobody(world):
    changed(world)
    with pytest.raises(Conflict):
        install(world, "A1", "A2", "row 5", date(2025, 1, 1))
    assert changed(world) == []
