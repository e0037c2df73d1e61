"""What surprises is stored, and remarked: not refused, not sealed, with no further query."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from calibration.models import Calibration
from tests.api.conftest import V1, calibration, refused

PATH = f"{V1}calibrations/"


def points(load, reading):
    return [
        {"load": 0.0, "reading": 20007.0, "direction": "up"},
        {"load": load, "reading": reading, "direction": "up"},
    ]


# 100 daN, of which the cell of rated 200 daN makes 10,000 counts.
BEYOND = {"points": points(320.0, 52007.0)}
PRESSED = {"conditions": {"hydraulic_pressure": 2.4, "pressure_unit": "bar"}}
# 100 daN are 101.97 kg (1 kgf = 9.80665 N, NIST SP 811): weighed in kg, typed as lb.
SLIPPED = {"load_unit": "lb", "points": points(101.97, 30040.0)}


def codes(answer):
    return [remark["code"] for remark in answer["remarks"]]


@pytest.fixture
def seasons(world):
    for year in (2022, 2023, 2024, 2025):
        world.season("A1", year)


def test_mostly_there_is_nothing_to_say(tech, seasons):
    assert tech.post(PATH, calibration()).json()["remarks"] == []


def test_a_load_beyond_rated_is_stored_and_remarked(tech, seasons):
    made = tech.post(PATH, calibration(**BEYOND))
    assert made.status_code == 201
    (said,) = made.json()["remarks"]
    assert said["code"] == "load_beyond_rated"
    assert said["pointer"] == "/points/1/load"
    # 320 / 200
    assert "320 daN (point 2) is 160 % of the rated load of LC-500 (200 daN)" in said["says"]
    assert "operator's manual" in said["check"]


@pytest.mark.parametrize(
    ("load", "unit", "beyond"),
    # 300 daN is the limit; 305.9 kgf and 674.4 lbf are just below it (NIST SP 811 factors).
    [(300.0, "daN", False), (300.1, "daN", True), (305.9, "kgf", False), (306.0, "kgf", True),
     (674.4, "lb", False), (674.5, "lb", True), (3.01, "kN", True)],
)  # fmt: skip
def test_the_limit_is_the_same_in_each_unit(tech, world, load, unit, beyond):
    answer = tech.post(f"{PATH}check/", calibration(load_unit=unit, points=points(load, 50000.0)))
    assert answer.status_code == 200
    assert ("load_beyond_rated" in codes(answer.json())) is beyond


def test_pressure_left_in_the_circuit_is_remarked(tech, seasons):
    (said,) = tech.post(PATH, calibration(**PRESSED)).json()["remarks"]
    assert said["code"] == "pressure_at_zero"
    assert said["pointer"] == "/conditions/hydraulic_pressure"
    assert said["says"].startswith("2.4 bar stood in the circuit")
    assert "bleed the pressure" in said["check"]


@pytest.mark.parametrize(
    ("pressure", "unit", "remarked"),
    # 7 psi are 48 kPa, 8 psi are 55 kPa (1 psi = 6.894757 kPa, NIST SP 811 B.8).
    [(7.0, "psi", False), (8.0, "psi", True), (0.5, "bar", False), (0.051, "MPa", True)],
)
def test_a_gauge_s_little_is_none(tech, world, pressure, unit, remarked):
    conditions = {"hydraulic_pressure": pressure, "pressure_unit": unit}
    answer = tech.post(f"{PATH}check/", calibration(conditions=conditions)).json()
    assert (codes(answer) == ["pressure_at_zero"]) is remarked


def test_a_slip_of_the_unit_names_the_unit_that_fits(tech, seasons):
    answer = tech.post(PATH, calibration(**SLIPPED)).json()
    assert answer["causes"][0]["code"] == "unit_slip"
    (said,) = answer["remarks"]
    assert said["code"] == "unit_slip"
    assert said["pointer"] == "/load_unit"
    assert "measured in kg" in said["says"]
    assert "typed as lb" in said["says"]
    # kg / lb = 1 / 0.45359237 = 2.2046: 120 % too great
    assert "by +120 % as typed" in said["says"]
    assert "operator" not in said["check"]


@pytest.mark.parametrize(
    ("zero", "span", "code"),
    [
        (20700.0, 30007.0, "digits_transposed"),  # of 20070; perhaps the zero was under load
        (24007.0, 30007.0, "preloaded_zero"),  # 40 daN of the span's 100 on the cell
        (20007.0, 20107.0, "span_not_carried"),  # the unit was still hanging
    ],
)
def test_numbers_that_are_nearly_certainly_wrong_are_remarked(tech, seasons, zero, span, code):
    typed = [
        {"load": 0.0, "reading": zero, "direction": "up"},
        {"load": 100.0, "reading": span, "direction": "up"},
    ]
    answer = tech.post(f"{PATH}check/", calibration(points=typed)).json()
    (said,) = answer["remarks"]
    cause = answer["causes"][0]
    assert said["code"] == cause["code"] == code
    assert said["check"] == cause["check"]
    assert said["says"].endswith(cause["says"])
    assert said["pointer"] == "/points"
    assert tech.post(PATH, calibration(points=typed)).json()["remarks"] == [said]


def test_what_may_as_well_be_the_cell_is_not_remarked(tech, seasons):
    """Half the signal: the span was not carried, or a gauge has failed."""
    answer = tech.post(f"{PATH}check/", calibration(points=points(100.0, 25007.0))).json()
    assert {cause["code"] for cause in answer["causes"][:2]} == {
        "span_not_carried", "sensitivity_loss",
    }  # fmt: skip
    assert answer["remarks"] == []


def test_what_the_next_calibration_confirms_is_remarked_no_more(tech, seasons):
    loaded = [
        {"load": 0.0, "reading": 24007.0, "direction": "up"},
        {"load": 100.0, "reading": 30007.0, "direction": "up"},
    ]
    key = tech.post(PATH, calibration(points=loaded)).json()["id"]
    assert codes(tech.get(f"{PATH}{key}/").json()) == ["preloaded_zero"]
    again = [loaded[0] | {"reading": 24012.0}, loaded[1] | {"reading": 30011.0}]
    tech.post(PATH, calibration(points=again, performed_at="2026-03-11T09:00:00+01:00"))
    confirmed = tech.get(f"{PATH}{key}/").json()
    assert confirmed["against_expected"]["learnt_from"] is True
    assert confirmed["remarks"] == []


def test_a_drifted_cell_is_no_slip(tech, seasons):
    drifted = tech.post(PATH, calibration(points=points(100.0, 31200.0))).json()
    assert drifted["verdict"] == "beyond"
    assert drifted["remarks"] == []


def test_check_post_batch_and_reading_say_the_same(tech, seasons):
    body = calibration(**SLIPPED, **PRESSED)
    checked = tech.post(f"{PATH}check/", body).json()
    assert codes(checked) == ["unit_slip", "pressure_at_zero"]
    assert Calibration.objects.count() == 4
    batch = tech.post(f"{PATH}batch/", [body, calibration(performed_at="2026-03-11T09:00:00Z")])
    first, second = batch.json()["results"]
    assert first["status"] == second["status"] == 201
    assert first["calibration"]["remarks"] == checked["remarks"]
    key = first["calibration"]["id"]
    again = tech.get(f"{PATH}{key}/").json()
    assert again["remarks"] == checked["remarks"]
    sent_back = tech.post(PATH, again)
    assert sent_back.status_code == 200  # an answer is a record that may be sent again
    assert sent_back.json()["remarks"] == checked["remarks"]


def test_nothing_of_it_is_sealed(tech, world, monkeypatch):
    made = tech.post(PATH, calibration(**BEYOND, **PRESSED)).json()
    assert len(made["remarks"]) == 2
    monkeypatch.setattr("calibration.metrology.plausibility.MOST_OF_RATED", 1000.0)
    changed = tech.get(f"{PATH}{made['id']}/").json()
    assert codes(changed) == ["pressure_at_zero"]
    assert changed["digest"] == made["digest"]


def test_what_cannot_be_is_refused_as_before(tech, world):
    refused(tech.post(PATH, calibration(points=points(320.0, 99999.0))), 422, "/points/1/reading")


def test_remarks_cost_no_query(tech, seasons):
    counts = []
    plain = {"points": points(100.0, 30007.0)}
    for number, given in enumerate((plain, plain, {**BEYOND, **PRESSED})):
        body = calibration(performed_at=f"2026-03-1{number}T09:00:00Z", **given)
        with CaptureQueriesContext(connection) as asked:
            answer = tech.post(PATH, body)
        assert answer.status_code == 201
        counts.append(len(asked))
    assert len(answer.json()["remarks"]) == 2
    assert counts[2] == counts[1], counts
