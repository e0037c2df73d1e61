"""GET sensor-models/{id}/reliability/: how long a model lasts and which lots drift."""

import pytest
from drf_spectacular.generators import SchemaGenerator
from jsonschema import Draft202012Validator

from calibration.models import Judgement
from fleet.models import Sensor
from tests.api.conftest import V1, refused
from tests.calibration.test_fleetwide import look_at, sensors_of

PEOPLE = ("techA", "managerA", "techB", "managerB", "reviewer", "admin")


def path(world):
    return f"{V1}sensor-models/{world.sensor_model.pk}/reliability/"


@pytest.fixture
def fleets(world):
    """Dealer A: 40 sensors, 10 out in lot L1; dealer B: 25, all good."""
    ours = sensors_of(world, 40, prefix="A", lot="L1")
    Sensor.objects.filter(pk__in=[sensor.pk for sensor in ours[20:]]).update(lot="L2")
    look_at(ours, [300 + 5 * i for i in range(40)], [i < 10 for i in range(40)])
    look_at(sensors_of(world, 25, dealer="B", prefix="B", lot="L2"), [400] * 25, [False] * 25)
    return world


def test_the_answer_is_what_the_schema_says(admin, fleets):
    answer = admin.get(path(fleets))
    assert answer.status_code == 200
    document = SchemaGenerator().get_schema(request=None, public=True)
    operation = document["paths"][f"{V1}sensor-models/{{id}}/reliability/"]["get"]
    shape = operation["responses"]["200"]["content"]["application/json"]["schema"]
    Draft202012Validator(document | shape).validate(answer.json())
    found = answer.json()["reliability"]
    assert (found["observations"], found["out"]) == (65, 10)
    assert found["basis"] in {"weibull", "exponential"}
    assert found["lower_bound_days"] <= found["interval_days"]
    assert found["curve"][0] == {"days": 0.0, "probability": 1.0, "low": 1.0, "high": 1.0}
    stand_out = {row["lot"]: row["stands_out"] for row in answer.json()["lots"]}
    assert stand_out == {"L1": True, "L2": False}


@pytest.mark.parametrize("person", PEOPLE)
def test_everybody_reads_their_own_part(person, client_of, fleets):
    answer = client_of(person).get(path(fleets))
    assert answer.status_code == 200
    found, lots = answer.json()["reliability"], answer.json()["lots"]
    seen = {"A": 40, "B": 25}.get(person[-1], 65)
    assert found["observations"] == seen
    assert sum(row["sensors"] for row in lots) == seen


def test_few_data_say_so(manager, world):
    found = manager.get(path(world)).json()
    assert found["lots"] == []
    assert found["reliability"]["basis"] == "default"
    assert found["reliability"]["interval_days"] == 365.0
    assert "default of 365 days" in found["reliability"]["says"]
    assert not Judgement.objects.exists()


def test_nobody_and_nothing(nobody, manager, world):
    refused(nobody.get(path(world)), 401)
    refused(manager.get(f"{V1}sensor-models/987654/reliability/"), 404)
    refused(manager.post(path(world)), 405)
