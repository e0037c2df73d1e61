"""A cell that does not answer: refused when recorded, and no danger where it was taken in."""

import pytest
from rest_framework.test import APIClient

from calibration import ledger, records
from calibration.models import Calibration, Fit, Judgement, PackedHistory, StaleSensor
from calibration.records import PointDraft
from calibration.scan import run_scan
from calibration.verifying import verify
from fleet.errors import Invalid
from tests.conftest import NOW, SYSTEM


def points(*pairs):
    return tuple(PointDraft(float(load), float(reading)) for load, reading in pairs)


# Zero, span and zero again: the extremes differ, the line through them is level.
DEAD = points((0, 12_000), (100, 12_001), (0, 12_002))


@pytest.mark.parametrize(
    "given",
    [
        DEAD,
        points((0, 12_000), (100, 12_000)),
        points((0, 0), (1e-320, 1.25)),
        points((0, 0), (1e-200, 1e12)),
        points((100, 20_000), (100.0000000001, 30_000)),
        points((0, 1e-300), (100, 2e-300)),
        points((0, 8_000_000), (50, 8_000_000.004), (100, 8_000_000)),
    ],
)
def test_what_gives_no_line_is_refused_with_the_reason(world, given):
    with pytest.raises(Invalid) as refused:
        records.record_calibration(world.draft(points=given), scope=SYSTEM, now=NOW)
    (problem,) = (each for each in refused.value.problems if each.field == "points")
    assert problem.accepted
    assert Calibration.objects.count() == 0


def test_a_line_that_falls_between_its_ends_is_judged_by_the_line(world):
    """The extremes rise by one count, what lies between says that the signal is reversed."""
    world.sensor_model.nominal_slope = 10.0
    world.sensor_model.save()
    run = points((0, 20_000), (10, 26_000), (90, 14_000), (100, 20_001))
    with pytest.raises(Invalid, match="rise with load"):
        records.record_calibration(world.draft(points=run), scope=SYSTEM, now=NOW)


@pytest.fixture
def taken_in(world, monkeypatch):
    """A sensor whose first record an earlier release took in although its line is level."""
    with monkeypatch.context() as earlier:
        earlier.setattr(ledger, "check_draft", lambda *_, **__: None)
        draft = world.draft("A1", points=DEAD)
        recorded = records.seal(draft, scope=SYSTEM, now=NOW, user_id=None)
    StaleSensor.objects.create(sensor=draft.sensor, since=NOW, why="new")
    return recorded.calibration


def test_it_stops_no_scan(world, taken_in):
    for name in ("A1b", "A2", "B1"):
        world.season(name, 2026)
    for full in (False, True):
        run = run_scan(full=full, now=NOW)
        assert (run.failed, run.finished_at is not None) == ([], True)
    assert Fit.objects.filter(pk=taken_in.pk).exists()
    assert not Judgement.objects.filter(pk=taken_in.pk).exists()
    assert Judgement.objects.count() == 3
    assert PackedHistory.objects.filter(pk=world.sensors["A1"].pk).exists()
    assert list(verify(now=NOW)) == []


def test_the_sensor_is_calibrated_on_as_if_it_were_not_there(world, taken_in):
    made = world.season("A1", 2027).calibration
    judged = Judgement.objects.get(pk=made.pk)
    assert judged.previous_id is None
    assert judged.verdict == "within"


def test_the_api_refuses_it_in_a_batch_alone(world):
    client = APIClient()
    client.force_authenticate(world.users["techA"])
    good, dead = (
        {
            "sensor": serial, "performed_at": "2026-03-10T09:00:00Z", "load_unit": "daN",
            "reading_unit": "count",
            "points": [{"load": point.load, "reading": point.reading} for point in run],
        }
        for serial, run in (("S-A1", points((0, 20_000), (100, 30_000))), ("S-A2", DEAD))
    )  # fmt: skip
    said = client.post("/api/v1/calibrations/batch/", [good, dead], format="json")
    assert said.status_code == 207
    assert [each["status"] for each in said.json()["results"]] == [201, 422]
    check = client.post("/api/v1/calibrations/check/", dead, format="json")
    assert check.status_code == 422
    assert check.json()["errors"][0]["pointer"] == "/points"
