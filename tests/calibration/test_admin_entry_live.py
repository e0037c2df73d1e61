"""The entry form's script asks the service that judges posts; nothing is stored by asking."""

import json
import re
from datetime import UTC, datetime
from uuid import uuid4

import pytest
from django.db import connection
from django.urls import reverse

from calibration.models import Calibration, FunctionalTest
from calibration.records import PointDraft, check_calibration
from tests.conftest import NOW
from tests.desk import signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


@pytest.fixture
def technician(world):
    world.season("A1", 2025)
    return signed_in(world.users["techA"])


def form(points, **values):
    data = {
        "id": str(uuid4()), "sensor": "S-A1", "performed_at": "2026-03-10 10:00",
        "reason": "seasonal", "stage": "as_found", "load_unit": "daN", "reading_unit": "count",
        "points-TOTAL_FORMS": "6", "points-INITIAL_FORMS": "0",
    }  # fmt: skip
    for number, (load, reading) in enumerate(points):
        data |= {f"points-{number}-load": load, f"points-{number}-reading": reading}
        data[f"points-{number}-direction"] = "up"
    return data | values


def live(client, data, kind="calibration"):
    answer = client.post(reverse(f"admin:calibration_{kind}_live"), data)
    assert answer.status_code == 200, answer.content[:300]
    return answer.json()


WRONG = (PointDraft(0, 20700), PointDraft(100, 30007))  # of 20070, digits transposed
DRIFTED = [("0", "20000"), ("100", "31000")]


def test_the_sentence_is_the_services_own(world, technician):
    said = live(technician, form(DRIFTED))
    draft = world.draft(
        "A1",
        performed_at=datetime(2026, 3, 10, 9, 0, tzinfo=UTC),
        points=(PointDraft(0, 20000), PointDraft(100, 31000)),
    )
    answer = check_calibration(draft, scope=world.scopes["techA"], now=NOW)
    assert answer["verdict"] == "beyond"
    assert "Beyond tolerance" in said["judged"]
    assert f"{answer['fit']['slope']:.0f}" in said["judged"]
    assert said["problems"] == {}
    assert "beyond" in said["brief"]  # what stays in sight beside the buttons
    assert Calibration.objects.count() == 1


def test_a_fresh_form_asks_for_a_serial_and_knows_no_sensor(technician):
    for kind in ("calibration", "functionaltest"):
        shown = technician.get(reverse(f"admin:calibration_{kind}_add")).content.decode()
        assert "Type or scan a serial" in shown
        assert "No sensor" not in shown
        assert "Not stored yet" not in shown


def test_what_is_wrong_with_all_points_stands_under_them(technician):
    dropped = form([("0", "20000"), ("100", "3000")])
    (said,) = live(technician, dropped)["problems"]["__all__"]
    page = technician.post(
        reverse("admin:calibration_calibration_add"), dropped | {"_check": "1"}
    ).content.decode()
    under = page.split("data-problems", 1)[1].split("</div>", 1)[0]
    assert 'id="answer"' in under  # where the page is opened
    assert said.split(",")[0] in under
    assert page.count('id="answer"') == 1


def test_each_number_says_its_unit_where_it_is_typed(world, technician):
    page = technician.get(
        reverse("admin:calibration_functionaltest_add"), {"sensor": "S-A1"}
    ).content.decode()
    head = page.split("<thead>", 1)[1].split("</thead>", 1)[0]
    assert head.count('<span data-unit="load_unit">daN</span>') == 4
    assert head.count('<span data-unit="pressure_unit">bar</span>') == 1


def test_what_to_expect_rests_on_the_newest_numbers_that_are_believed(world, technician):
    world.season("A1", 2026, points=WRONG)
    said = live(technician, form([]))["sensor"]
    assert "Last time, 2026-03-10" in said
    assert "In doubt" in said
    assert "Two neighbouring digits" in said
    expected = said.split("What to expect now, after 2025-03-10", 1)[1]
    low, high = re.search(r"<dt>At 0 daN</dt><dd>(\d+) to (\d+) count", expected).groups()
    assert (int(low) + int(high)) / 2 == pytest.approx(20000, abs=5)  # of 2025, not 20700


def test_the_page_of_a_sensor_says_what_the_entry_page_does(world, technician):
    address = reverse("admin:fleet_sensor_change", args=[world.sensors["A1"].pk])
    assert "In doubt" not in technician.get(address).content.decode()
    world.season("A1", 2026, points=WRONG)
    assert "In doubt: measure again" in technician.get(address).content.decode()


def test_last_numbers_and_expected_ranges_stand_beside(technician):
    said = live(technician, form([]))
    assert said["judged"] == ""
    for words in ("Last time, 2025-03-10", "20000 count at 0 daN", "What to expect now", "M-A1"):
        assert words in said["sensor"], words


@pytest.mark.parametrize("kind", ["calibration", "functionaltest"])
@pytest.mark.parametrize("doubted", [False, True])
def test_a_form_that_begins_with_a_sensor_stays_at_twelve_queries(
    world, technician, kind, doubted, django_assert_max_num_queries
):
    earlier = Calibration.objects.get()
    if doubted:
        world.season("A1", 2026, points=WRONG)
    about = [{"sensor": "S-A1"}] + ([{"corrects": earlier.pk}] if kind == "calibration" else [])
    address = reverse(f"admin:calibration_{kind}_add")
    # In a test's transaction PostgreSQL is told who acts: session and person are read once more.
    most = 14 if connection.vendor == "postgresql" else 12
    for asked in about:
        with django_assert_max_num_queries(most):
            answer = technician.get(address, asked)
        page = answer.content.decode()
        assert f"Last time, {2026 if doubted else 2025}-03-10" in page
        assert ("In doubt" in page) is doubted


def test_problems_are_named_by_their_fields(technician):
    said = live(technician, form([("0", "20000"), ("much", "30000")]))
    assert list(said["problems"]) == ["points-1-load"]
    said = live(technician, form([("0", "20000"), ("100", "99999")]))
    assert list(said["problems"]) == ["points-1-reading"]
    assert live(technician, form(DRIFTED, sensor="S-B1"))["sensor"].startswith("<p>No sensor S-B1")


def test_another_dealers_sensor_says_nothing_and_a_reviewer_may_not(world, technician):
    world.season("B1", 2025)
    said = live(technician, form(DRIFTED, sensor="S-B1"))
    assert "Last time" not in said["sensor"]
    assert list(said["problems"]) == ["sensor"]
    reviewer = signed_in(world.users["reviewer"])
    url = reverse("admin:calibration_calibration_live")
    assert reviewer.post(url, form(DRIFTED)).status_code == 403
    assert technician.get(url).status_code == 405


def test_serials_are_offered_from_the_callers_own(world, technician):
    url = reverse("admin:calibration_calibration_serials")
    assert technician.get(url, {"typed": "s-"}).json()["serials"] == [
        "S-A1", "S-A1b", "S-A2", "S-A2b",
    ]  # fmt: skip
    assert technician.get(url, {"typed": "B1"}).json()["serials"] == []
    assert technician.get(url).json()["serials"] == []


def test_the_script_is_told_where_the_record_is_and_twice_is_once(technician):
    url, data = reverse("admin:calibration_calibration_add"), form(DRIFTED)
    heads = {"accept": "application/json"}
    first = technician.post(url, data, headers=heads)
    again = technician.post(url, data, headers=heads)
    assert first.json() == again.json()
    assert data["id"] in first.json()["stored"]
    assert Calibration.objects.count() == 2
    other = technician.post(url, form(DRIFTED[:1], id=data["id"]), headers=heads)
    assert other.status_code == 200  # a refusal is an answer: no error in the browser's console
    assert other.json()["problems"]
    assert Calibration.objects.count() == 2


def test_a_functional_test_is_judged_as_typed_too(technician):
    steps = [("50", "50.2"), ("100", "130")]
    data = {
        "id": str(uuid4()), "sensor": "S-A1", "performed_at": "2026-03-11 10:00",
        "load_unit": "daN", "pressure_unit": "bar",
        "steps-TOTAL_FORMS": "4", "steps-INITIAL_FORMS": "0",
    }  # fmt: skip
    for number, (commanded, displayed) in enumerate(steps):
        data |= {f"steps-{number}-commanded": commanded, f"steps-{number}-observed": "steady"}
        data[f"steps-{number}-displayed_mean"] = displayed
    said = live(technician, data, "functionaltest")
    assert "fail" in said["judged"]
    assert FunctionalTest.objects.count() == 0
    url = reverse("admin:calibration_functionaltest_add")
    without_script = technician.post(url, data | {"_check": "1"}).content.decode()
    assert "Judged as typed; nothing is stored yet" in without_script
    for _ in range(2):
        stored = technician.post(url, data, headers={"accept": "application/json"})
        assert data["id"] in json.loads(stored.content)["stored"]
    assert FunctionalTest.objects.count() == 1
