"""References by id or readable key: found together in a batch, they are what each is by itself."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from api.drafts import CalibrationInput
from api.inputs import Reader
from api.scoping import candidates, candidates_of_each
from calibration.models import Calibration
from fleet import registry
from fleet.models import Customer, Sensor
from fleet.scope import Scope
from tests.api.conftest import V1, calibration

SYSTEM = Scope.system()


@pytest.fixture
def named(world):
    """Return sensors whose serials are hard: of digits alone, or with a double s."""
    for serial in ("STRASSE", str(world.sensors["B1"].pk)):
        registry.register_sensor(
            scope=SYSTEM, dealer=world.dealers["A"], serial=serial, model=world.sensor_model
        )
    return world


@pytest.mark.parametrize("person", ["techA", "techB", "admin", "reviewer"])
def test_found_together_they_are_what_each_is_alone(named, person):
    rows = Sensor.objects.visible_to(named.scopes[person]).order_by("pk")
    ids = [sensor.pk for sensor in named.sensors.values()]
    values = [
        "S-A1", "s-a1", "S-B1", "STRASSE", "straße", "Straße", "nobody", "", " S-A1",
        *ids, *map(str, ids), True, False, 0, 1, -1, 2**63, "1" * 30, "0x1", "1.0",
    ]  # fmt: skip
    together = {
        (type(value), value): found for value, found in candidates_of_each(rows, "serial", values)
    }
    left_out = {value for value in values if (type(value), value) not in together}
    assert left_out == {"straße", "Straße"}
    for (_, value), found in together.items():
        assert found == candidates(rows, "serial", value), value


def test_one_name_at_two_dealers_is_a_question(world):
    for letter in "AB":
        registry.register_customer(scope=SYSTEM, dealer=world.dealers[letter], name="Farm Twice")
    for person, many in (("admin", 2), ("techA", 1)):
        rows = Customer.objects.visible_to(world.scopes[person]).order_by("pk")
        ((_, found),) = candidates_of_each(rows, "name", ["farm twice"])
        assert found == candidates(rows, "name", "farm twice")
        assert len(found) == many


def test_records_are_referred_to_by_their_id_alone(world):
    record = world.season("A1", 2025).calibration
    rows = Calibration.objects.visible_to(SYSTEM)
    given = [str(record.pk), str(record.pk).upper(), record.pk.hex, "no", 7]
    for value, found in candidates_of_each(rows, "", given):
        assert found == candidates(rows, "", value), value


def test_a_thousand_references_are_four_questions(world):
    """By serial and by id, and what stands beside all that were found: models and dealers."""
    reader = Reader(CalibrationInput, scope=world.scopes["techA"])
    items = [calibration(sensor=f"N-{i}") for i in range(998)]
    items += [calibration(sensor="S-A1"), calibration(sensor=world.sensors["A2"].pk), None, "x"]
    with CaptureQueriesContext(connection) as asked:
        reader.look_up(items)
        assert reader.checked(items[998])["sensor"] == world.sensors["A1"]
        found = reader.checked(items[999])["sensor"]
        assert found == world.sensors["A2"]
        assert (found.model.name, found.dealer.code) == ("LC-500", "NORTH")
    assert len(asked) == 4


def test_a_name_that_no_database_takes_spoils_its_own_item_alone(tech, world):
    answer = tech.post(f"{V1}calibrations/batch/", [calibration(sensor="S-A\0"), calibration()])
    assert [each["status"] for each in answer.json()["results"]] == [422, 201]
