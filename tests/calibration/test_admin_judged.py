"""Beside a verdict stands the change that it rests on, the same on every page and on paper.

A verdict compares with what the whole history leads one to expect (JCGM 106:2012, from memory: the
probability that the true value lies beyond the tolerance); the plain change since the season
before is another number, and is called so where it is shown.
"""

import re
from datetime import UTC, datetime
from html import unescape

import pytest
from rest_framework.test import APIClient

from calibration import documents, readout
from calibration.admin import wording
from calibration.documents.dossier import dossier_data
from calibration.models import Calibration, DriftFlag
from calibration.records import PointDraft
from fleet.models import Machine, Sensor
from tests.conftest import NOW, SYSTEM
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


@pytest.fixture
def drifted(world):
    """Return the last of three calibrations whose judged change is not the plain one."""
    for year, span in ((2024, 10000), (2025, 10200)):
        world.season("A1", year, points=(PointDraft(0, 20000), PointDraft(100, 20000 + span)))
    last = (PointDraft(0, 20130), PointDraft(100, 30700))
    return world.season("A1", 2026, points=last).calibration


def judged_by_the_api(world, row) -> list[str]:
    client = APIClient()
    client.force_authenticate(world.users["techA"])
    against = client.get(f"/api/v1/calibrations/{row.pk}/").json()["against_expected"]
    return [
        wording.change(against["slope_change_pct"], against["u_slope_change_pct"], "%"),
        wording.change(against["offset_change"], against["u_offset_change"], "daN"),
    ]


def test_lists_and_pages_show_the_judged_change(world, drifted):
    slope, offset = judged_by_the_api(world, drifted)
    judgement = drifted.judgement
    plain = wording.change(judgement.slope_change_pct, judgement.u_slope_change_pct, "%")
    assert plain != slope, "the two must be told apart here"
    client = signed_in(world.users["techA"])
    sensor = client.get(page(Sensor, "change", drifted.sensor_id))
    history = sensor.context["page"]["history"][0]
    assert (history["slope_change"], history["offset_change"]) == (slope, offset)
    calibrations = unescape(client.get(page(Calibration, "changelist")).content.decode())
    assert slope in calibrations
    assert offset in calibrations
    machine = client.get(page(Machine, "change", world.machines["A1"].pk))
    text = unescape(machine.content.decode())
    assert slope in text
    assert offset in text, "a verdict may rest on either"
    assert plain not in text
    assert "lope change, judged" in text
    sensors = unescape(client.get(page(Sensor, "changelist")).content.decode())
    assert f"slope {slope}" in sensors
    assert plain not in sensors
    own = unescape(client.get(page(drifted, "change", drifted.pk)).content.decode())
    assert f"Plain change since the season before</dt><dd>slope {plain}" in own


@pytest.mark.parametrize(
    ("zeros", "spans", "shown"),
    [
        ((0, 0), (10000, 12000), r"slope \+\d"),
        ((0, 2000), (10000, 10000), r"offset \+\d+\.\d+ ± \S+ daN"),
        ((0,) * 5, (10000, 10080, 10180, 10290, 10410), r"slope \+\d\S+ ± \S+ % since the first"),
    ],
)
def test_the_list_of_sensors_shows_the_change_that_decided(world, zeros, spans, shown):
    first = 2027 - len(zeros)
    for year, zero, span in zip(range(first, 2027), zeros, spans, strict=True):
        points = (PointDraft(0, 20000 + zero), PointDraft(100, 20000 + zero + span))
        row = world.season("A1", year, points=points).calibration
    assert row.judgement.verdict != "within"
    text = unescape(
        signed_in(world.users["techA"])
        .get(page(Sensor, "changelist"), {"o": "-7"})
        .content.decode()
    )
    assert re.search(shown, text)


def test_the_dossiers_seasons_show_the_judged_change(world, drifted):
    life = readout.sensor_history(drifted.sensor, SYSTEM)
    sensor = Sensor.objects.select_related("model", "dealer").get(pk=drifted.sensor_id)
    last = dossier_data(sensor, life, [], now=NOW)["seasons"][-1]
    shown = [last[name]["text"] for name in ("slope_change", "offset_change")]
    judged = judged_by_the_api(world, drifted)
    assert shown == [said.split(" ± ")[0] for said in judged]
    assert documents.dossier(sensor, scope=SYSTEM, now=NOW)


def test_a_flag_has_the_same_days_on_page_list_and_paper(world, drifted):
    """Opened 23:30 UTC is the next day in Warsaw; when it was measured is another day."""
    DriftFlag.objects.update(opened_at=datetime(2026, 4, 9, 23, 30, tzinfo=UTC))
    sensor = Sensor.objects.select_related("model", "dealer").get(pk=drifted.sensor_id)
    client = signed_in(world.users["techA"])
    shown = client.get(page(sensor, "change", sensor.pk)).context["page"]["flags"]
    days = {(flag["measured"], flag["opened"]) for flag in shown}
    assert days == {("2026-03-10", "2026-04-10")}
    life = readout.sensor_history(sensor, SYSTEM)
    paper = dossier_data(sensor, life, [], now=NOW)["flags"]
    assert {(flag["measured_on"], flag["opened_on"]) for flag in paper} == days
    listed = client.get(page(DriftFlag, "changelist")).content.decode()
    assert ">2026-04-10<" in listed
    assert "2026-04-09" not in listed
