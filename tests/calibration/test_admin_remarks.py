"""The entry form asks once more before what is as good as certainly wrong is sealed."""

import pytest
from django.urls import reverse

from calibration.models import Calibration, DriftFlag, Event
from tests.calibration.entries import GOOD, typed
from tests.desk import signed_in, without_files

ADD = "admin:calibration_calibration_add"
HEAVY = (("0", "20000"), ("320", "52000"))  # the cell is rated 200 daN
SLIPPED = (("0", "20007"), ("101.97", "30040"))  # 100 daN in kg (1 kgf = 9.80665 N)
TRANSPOSED = (("0", "20700"), ("100", "30007"))  # of 20070
AGAIN = "Store it all the same"


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


@pytest.fixture
def technician(world):
    for year in (2022, 2023, 2024, 2025):
        world.season("A1", year)
    return signed_in(world.users["techA"])


def stored():
    return Calibration.objects.count() - 4


def sent(client, data, **heads):
    return client.post(reverse(ADD), data, **heads)


def json_of(client, data):
    return sent(client, data, headers={"accept": "application/json"})


def test_it_is_judged_with_its_remarks_while_it_is_typed(technician):
    live = reverse("admin:calibration_calibration_live")
    said = technician.post(live, typed(*SLIPPED, load_unit="lb")).json()
    assert "measured in kg" in said["judged"]
    assert "typed as lb" in said["judged"]
    assert "Look again" not in technician.post(live, typed(*GOOD)).json()["judged"]
    assert stored() == 0


@pytest.mark.parametrize(
    ("points", "unit", "words"),
    [
        (HEAVY, "daN", "160 % of the rated load"),
        (SLIPPED, "lb", "measured in kg"),
        (TRANSPOSED, "daN", "Two neighbouring digits"),
    ],
)
def test_without_the_script_one_more_press_is_asked_for(technician, points, unit, words):
    data = typed(*points, load_unit=unit)
    events, flags = Event.objects.count(), DriftFlag.objects.count()
    asked = sent(technician, data)
    page = asked.content.decode()
    assert asked.status_code == 200
    assert words in page
    assert AGAIN in page.split("data-sure")[1].split(">", 1)[1]
    assert "Not stored yet" in page
    # Nothing of it is left: no record, no flag, and no program was told.
    assert (stored(), Event.objects.count(), DriftFlag.objects.count()) == (0, events, flags)
    done = sent(technician, data | {"_sure": asked.context["question"].sure})
    assert done.status_code == 302
    assert stored() == 1
    shown = technician.get(done["Location"]).content.decode()
    assert words in shown


def test_a_yes_is_to_what_was_asked_and_to_nothing_else(technician):
    data = typed(*HEAVY)
    sure = sent(technician, data).context["question"].sure
    other = typed(("0", "20000"), ("340", "54000"), id=data["id"], _sure=sure)
    again = sent(technician, other)
    assert "170 % of the rated load" in again.content.decode()
    assert sent(technician, typed(*HEAVY, _sure=sure)).status_code == 200  # another record
    assert sent(technician, data | {"_sure": "yes"}).status_code == 200
    assert stored() == 0


def test_the_script_is_asked_too_and_sent_twice_it_is_one(technician):
    data = typed(*HEAVY)
    asked = json_of(technician, data)
    assert asked.status_code == 200
    said = asked.json()
    assert set(said) == {"sure", "words", "judged", "brief"}
    assert "within" in said["brief"]
    assert "160 % of the rated load" in said["judged"]
    assert stored() == 0
    for again in (data | {"_sure": said["sure"]}, data | {"_sure": said["sure"]}, data):
        # What is stored is not asked about any more.
        assert data["id"] in json_of(technician, again).json()["stored"]
    assert stored() == 1


def test_a_pressure_is_remarked_and_not_asked_about(technician):
    data = typed(*GOOD, hydraulic_pressure="2.4", pressure_unit="bar")
    live = reverse("admin:calibration_calibration_live")
    assert "2.4 bar stood in the circuit" in technician.post(live, data).json()["judged"]
    done = sent(technician, data)
    assert done.status_code == 302
    assert "2.4 bar stood" in technician.get(done["Location"]).content.decode()
    assert stored() == 1


def test_a_wrong_field_is_said_before_any_question(technician):
    told = json_of(technician, typed(("0", "20000"), ("320", "much")))
    assert told.status_code == 200
    assert list(told.json()["problems"]) == ["points-1-reading"]
