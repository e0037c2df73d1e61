"""The way out: what is written loads back to the same records, byte for byte the same file."""

import csv
import io
import uuid
from datetime import UTC, date, datetime

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction

from calibration.exporting import HEADER, export_records, rows
from calibration.models import Calibration, ReferenceStandard
from calibration.records import PointDraft
from fleet import registry
from fleet.models import Dealer, Installation, MachineModel, SensorModel
from tests.calibration.record_files import load, reasons
from tests.conftest import SYSTEM, World, build_world


def exported(dealer, scope=SYSTEM) -> str:
    out = io.StringIO(newline="")
    export_records(dealer, scope=scope, out=out)
    return out.getvalue()


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def a_life(world: World) -> None:
    """Give the world what is hard to carry over: moves, replacements, corrections, odd texts."""
    first = world.season(
        "A1", 2023, technician="=cmd()", note="-5,\r\n\"two\" lines\n\ttab 'x'",
        reference=world.references["A"], temperature_c=-0.1, hydraulic_pressure=1 / 3,
        pressure_unit="psi", load_unit="lbf",
        points=(
            PointDraft(0, 20000.1), PointDraft(0.1 + 0.2, 30000), PointDraft(0, 20001, "down")
        ),
    ).calibration  # fmt: skip
    world.season(
        "A1", 2023, supersedes=first, supersede_reason="@misread", technician="'=quoted",
        note="ł\N{SNOWMAN} \N{GRINNING FACE}",
        performed_at=datetime(2023, 3, 10, 9, 0, 0, 123456, tzinfo=UTC),
    )  # fmt: skip
    # Recorded before what it corrects, by the clock of the field.
    late = world.season("A2", 2025).calibration
    world.season("A2", 2024, supersedes=late, supersede_reason="wrong year", stage="as_left")
    _moved(world)
    tagged = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="TAG/1", model=world.sensor_model,
        tag={"zero_reading": 20000.5, "span_reading": 30000, "span_load": 100, "load_unit": "kgf"},
    )  # fmt: skip
    world.sensors["tagged"] = tagged
    world.season("tagged", 2022, id=uuid.UUID(int=5))  # on the bench, before it was installed
    registry.install_sensor(
        scope=SYSTEM, sensor=tagged, machine=world.machines["A2"], position="=row",
        installed_on=date(2022, 5, 1), start_is_inferred=True,
    )  # fmt: skip
    world.season("tagged", 2024)


def _moved(world: World) -> None:
    """Move S-A1b away and back, and put a sensor in its place without saying replacement."""
    world.season("A1b", 2022)
    there = world.installations["A1b"]
    registry.remove_sensor(scope=SYSTEM, installation=there, removed_on=date(2023, 1, 5))
    away = registry.install_sensor(
        scope=SYSTEM, sensor=world.sensors["A1b"], machine=world.machines["A2"],
        position="row 3", installed_on=date(2023, 1, 5),
    )  # fmt: skip
    world.season("A1b", 2023)
    registry.remove_sensor(scope=SYSTEM, installation=away, removed_on=date(2024, 6, 1))
    world.sensors["other"] = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="OTHER", model=world.sensor_model
    )
    registry.install_sensor(
        scope=SYSTEM, sensor=world.sensors["other"], machine=world.machines["A1"],
        position="row 8", installed_on=date(2023, 2, 1),
    )  # fmt: skip
    world.season("other", 2024)


def empty_with_the_same_models() -> Dealer:
    """Make the dealer, models and references of the world, and nothing else."""
    MachineModel.objects.create(name="Ackerfurche 8", kind="planter", rows=8)
    SensorModel.objects.create(
        name="LC-500", rated_load=200.0, load_unit="daN", reading_unit="count",
        reading_min=0.0, reading_max=65535.0, nominal_slope=100.0, nominal_offset=20000.0,
    )  # fmt: skip
    dealer = Dealer.objects.create(code="NORTH", name="North again", timezone="Europe/Warsaw")
    ReferenceStandard.objects.create(dealer=dealer, name="scale 1", kind="scale")
    return dealer


def test_a_file_is_the_same_after_it_went_through_an_empty_database(db):
    with transaction.atomic():
        world = build_world()
        a_life(world)
        text = exported(world.dealers["A"])
        places = placed()
        transaction.set_rollback(True)
    assert not Calibration.objects.exists()
    dealer = empty_with_the_same_models()
    fresh = World({"A": dealer}, {}, {}, {}, {}, {}, {}, None, None)
    outcome = load(fresh, text.encode())
    assert not reasons(outcome)
    assert outcome.stored == len({row["record_id"] for row in table(text)}) == 9
    assert exported(dealer) == text
    assert placed() == places
    assert load(fresh, text.encode()).already_there == 9


def placed() -> set[tuple]:
    """Return where sensors with records sat, an inferred first day left open."""
    found = Installation.objects.filter(calibrations__isnull=False).distinct()
    return {
        (
            row.sensor.serial, row.machine.serial, row.machine.customer.name, row.position,
            None if row.start_is_inferred else row.installed_on, row.removed_on,
        )
        for row in found
    }  # fmt: skip


def test_an_export_is_already_there_where_it_comes_from(world):
    a_life(world)
    outcome = load(world, exported(world.dealers["A"]).encode())
    assert (outcome.stored, outcome.already_there, outcome.refused) == (0, 9, 0)
    assert not any(outcome.created.values())
    assert not outcome.changed


def test_cells_are_exact_and_harmless(world):
    a_life(world)
    first = next(row for row in table(exported(world.dealers["A"])) if row["load_unit"] == "lbf")
    assert first["technician"] == "'=cmd()"
    assert first["note"] == "'-5,\r\n\"two\" lines\n\ttab 'x'"
    assert (first["temperature_c"], first["hydraulic_pressure"]) == ("-0.1", repr(1 / 3))
    assert first["performed_at"] == "2023-03-10T10:00:00+01:00"  # Warsaw in March
    text = exported(world.dealers["A"])
    numeric = {"load", "reading", "temperature_c", "hydraulic_pressure"}
    for row in table(text):
        for column, cell in row.items():
            assert column in numeric or not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_the_order_is_by_time_and_then_as_recorded(world):
    for number in (3, 1, 2):
        world.season("A1", 2025, id=uuid.UUID(int=number))
    found = [row["record_id"] for row in table(exported(world.dealers["A"]))]
    assert found == [str(uuid.UUID(int=number)) for number in (3, 3, 1, 1, 2, 2)]


def test_an_export_has_its_dealers_sensors_and_no_other(world):
    world.season("A1", 2025)
    world.season("B1", 2025)
    assert {row["sensor"] for row in table(exported(world.dealers["A"]))} == {"S-A1"}
    assert table(exported(world.dealers["B"], world.scopes["managerA"])) == []


def test_a_former_owners_words_stay_with_them(world):
    world.season(
        "A1", 2025, technician="Ewa", note="key under the mat", reference=world.references["A"]
    )
    (row, _) = table(exported(world.dealers["A"], world.scopes["managerA"]))
    assert row["reference"] == "scale 1"
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines["A1"], customer=world.customers["B1"]
    )
    (row, _) = table(exported(world.dealers["B"], world.scopes["managerB"]))
    assert (row["technician"], row["note"], row["customer"]) == ("", "", "Farm B1")
    assert row["reference"] == ""
    (row, _) = table(exported(world.dealers["B"], SYSTEM))
    assert row["reference"] == "scale 1"
    assert row["performed_at"] == "2025-03-10T06:00:00-03:00"  # the new dealer's clock
    assert table(exported(world.dealers["A"], world.scopes["managerA"])) == []


def test_who_owns_a_machine_that_left_is_not_told(world):
    world.season("A1", 2022)
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2024, 1, 1)
    )
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines["A1"], customer=world.customers["B1"]
    )
    (row, _) = table(exported(world.dealers["A"], world.scopes["managerA"]))
    assert (row["machine"], row["customer"]) == ("M-A1", "")


def test_reading_does_not_grow_with_the_number_of_records(world, django_assert_num_queries):
    for year in (2021, 2022, 2023, 2024, 2025):
        world.season("A1", year)
    with django_assert_num_queries(2):  # the records with their rows, their points
        assert len(list(rows(Calibration.objects.all(), scope=SYSTEM))) == 10


def test_the_command_writes_a_file_or_prints(world, tmp_path, capsys):
    world.season("A1", 2025)
    path = tmp_path / "north.csv"
    call_command("export_records", str(path), "--dealer", "NORTH")
    content = path.read_bytes()
    assert content.decode().startswith(",".join(HEADER) + "\r\n")
    assert list(tmp_path.iterdir()) == [path]
    capsys.readouterr()
    call_command("export_records", "--dealer", "NORTH")
    assert capsys.readouterr().out == content.decode()
    assert load(world, content).already_there == 1


@pytest.mark.parametrize(
    ("file", "dealer", "said"),
    [("-", "WEST", "NORTH, SOUTH"), ("nowhere/x.csv", "NORTH", "cannot be written")],
)
def test_a_wrong_call_ends_with_2(world, tmp_path, file, dealer, said):
    target = file if file == "-" else str(tmp_path / file)
    with pytest.raises(CommandError, match=said) as caught:
        call_command("export_records", target, "--dealer", dealer)
    assert caught.value.returncode == 2
