"""Visits, their calendar, the sheets, dossiers and scans."""

import io
import json
import zipfile
from datetime import date

import icalendar
import pytest
import time_machine

from calibration import claiming, scan, stages, working
from calibration.claiming import Clock
from calibration.models import DueState, ScanRun, Visit
from tests.api.conftest import NOW, V1, refused, taken


@time_machine.travel(NOW, tick=False)
def test_a_visit_is_planned_by_hand_confirmed_and_done(manager, tech, world):
    world.season("A1", 2020)  # due long ago
    body = {"customer": "Farm A1", "planned_on": "2027-02-10", "technician": "techA"}
    made = manager.post(f"{V1}visits/", body)
    assert made.status_code == 201, made.content
    visit = made.json()
    assert (visit["season"], visit["part"]) == (2027, 1)
    assert visit["due_on"] == min(row["due_on"] for row in visit["lines"]) < "2026"
    assert visit["technician_username"] == "techA"
    assert [(row["machine_serial"], row["sensors"]) for row in visit["lines"]] == [("M-A1", 1)]
    path = f"{V1}visits/{visit['id']}/"
    assert manager.patch(path, {"status": "confirmed"}).json()["status"] == "confirmed"
    assert manager.patch(path, {"technician": None}).json()["technician"] is None
    assert manager.put(path, visit).json()["technician_username"] == "techA"
    refused(manager.patch(path, {"technician": "techB"}), 422, "/technician")
    refused(manager.patch(path, {"customer": "Farm A2"}), 422, "/customer")
    refused(manager.patch(path, {"status": "maybe"}), 422, "/status")
    refused(tech.patch(path, {"status": "done"}), 403)
    assert tech.get(path).json()["customer_name"] == "Farm A1"
    taken(manager.post(f"{V1}visits/", body))
    taken(manager.post(f"{V1}visits/", body | {"part": 2}))  # its machine is in the other one
    refused(manager.post(f"{V1}visits/", body | {"customer": "Farm B1"}), 422, "/customer")


SUNDAY = {"planned_on": "2027-02-07"}
OFF = {"status": "cancelled"}


def test_the_rules_of_a_visit_are_the_same_over_the_api(manager, world):
    """Pointer and what would be accepted, nothing stored.

    The desk has the same rules; it asks about a closed day, and why a visit is called off.
    """
    path = f"{V1}visits/{visit(world).pk}/"
    with time_machine.travel(NOW, tick=False):
        for body, pointer, accepted in (
            ({"planned_on": "2026-04-09"}, "/planned_on", "2026-04-10 to 2028-04-10"),
            ({"planned_on": "2029-01-01"}, "/planned_on", "2026-04-10 to 2028-04-10"),
            (SUNDAY | {"although_closed": False}, "/planned_on", "although_closed"),
            ({"status": "done"}, "/status", "done from 2027-02-10 on"),
            (OFF | {"cancel_reason": "no"}, "/cancel_reason", "3 to 200 characters"),
            ({"cancel_reason": "rain"}, "/cancel_reason", "the status cancelled"),
            (SUNDAY | {"although_closed": "perhaps"}, "/although_closed", ""),
        ):
            before = manager.get(path).json()
            document = refused(manager.patch(path, body), 422, pointer)
            (error,) = document["errors"]
            assert accepted in error["accepted"], document
            assert manager.get(path).json() == before
        both = refused(
            manager.patch(path, {"planned_on": "2026-04-09", "cancel_reason": "rain"}), 422
        )
        assert {each["pointer"] for each in both["errors"]} == {"/planned_on", "/cancel_reason"}
        assert manager.patch(path, SUNDAY).json()["planned_on"] == "2027-02-07"
        assert manager.patch(path, OFF).json()["cancel_reason"] == ""
        off = manager.patch(path, {"cancel_reason": "the field is wet"})
        assert off.json()["cancel_reason"] == "the field is wet"
        body = {"customer": "Farm A2", "planned_on": "2027-02-06"}
        refused(
            manager.post(f"{V1}visits/", body | {"although_closed": False}), 422, "/planned_on"
        )
        made = manager.post(f"{V1}visits/", body)
        assert made.status_code == 201, made.content
        assert manager.put(f"{V1}visits/{made.json()['id']}/", made.json()).status_code == 200


@pytest.mark.parametrize("day", ["2027-02-30", "tomorrow", "0001-01-01", "9999-12-31", 5, None])
def test_days_that_cannot_be(manager, world, day):
    body = {"customer": "Farm A1", "planned_on": day}
    refused(manager.post(f"{V1}visits/", body), 422, "/planned_on")


def visit(world, name="A1", **changes):
    values = {
        "customer": world.customers[name], "season": 2027, "planned_on": date(2027, 2, 10),
        "due_on": date(2027, 3, 1), "updated_at": NOW,
    }  # fmt: skip
    return Visit.objects.create(**(values | changes))


@time_machine.travel(NOW, tick=False)
def test_the_calendar_is_read_by_a_calendar_library(tech, manager, world):
    mine = visit(world, note="Ring first; bring 100 kg, please")
    mine.lines.create(machine=world.machines["A1"], due_on=date(2027, 3, 1), sensors=2)
    visit(world, "A2", status="cancelled")
    visit(world, "B1")
    answer = tech.get(f"{V1}visits/calendar.ics")
    assert answer["Content-Type"] == "text/calendar"
    (event,) = icalendar.Calendar.from_ical(answer.content).walk("VEVENT")
    assert event.decoded("dtstart") == date(2027, 2, 10)
    assert event.decoded("dtend") == date(2027, 2, 11)
    assert str(event["summary"]) == "Calibration: Farm A1"
    assert "M-A1: 2 due" in str(event["description"])
    assert "100 kg, please" in str(event["description"])
    moved = manager.patch(f"{V1}visits/{mine.pk}/", {"planned_on": "2027-02-12"})
    assert moved.status_code == 200
    again = tech.get(f"{V1}visits/calendar.ics", HTTP_ACCEPT="text/calendar")
    (later,) = icalendar.Calendar.from_ical(again.content).walk("VEVENT")
    assert later["uid"] == event["uid"]
    assert later.decoded("dtstart") == date(2027, 2, 12)


def test_the_calendar_is_not_for_everybody(reviewer, nobody, world):
    refused(reviewer.get(f"{V1}visits/calendar.ics"), 403)
    refused(nobody.get(f"{V1}visits/calendar.ics"), 401)


def test_a_visit_sheet_as_data_and_to_print(tech, world):
    world.season("A1", 2025)
    path = f"{V1}customers/{world.customers['A1'].pk}/visit-sheet/"
    data = tech.get(path).json()
    assert "S-A1" in json.dumps(data)
    for answer in (tech.get(f"{path}?format=pdf"), tech.get(path, HTTP_ACCEPT="application/pdf")):
        assert answer["Content-Type"] == "application/pdf"
        assert answer.content.startswith(b"%PDF-")
        assert answer["Content-Disposition"].startswith("inline")
    refused(tech.get(f"{path}?format=csv"), 406)


def test_a_card_for_the_cab(tech, world):
    world.season("A1", 2025)
    path = f"{V1}machines/{world.machines['A1'].pk}/cab-card/"
    assert tech.get(path).json()["machine"]["serial"] == "M-A1"
    assert tech.get(f"{path}?format=pdf").content.startswith(b"%PDF-")


def test_a_dossier(reviewer, world):
    world.season("A1", 2025)
    answer = reviewer.get(f"{V1}sensors/{world.sensors['A1'].pk}/dossier/")
    assert answer["Content-Type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert archive.testzip() is None
        kinds = {name.rsplit(".", 1)[-1] for name in archive.namelist()}
    assert {"pdf", "csv", "json"} <= kinds


def test_a_history_holds_the_whole_life(reviewer, world):
    world.season("A1", 2024)
    world.season("A1", 2025)
    body = reviewer.get(f"{V1}sensors/{world.sensors['A1'].pk}/history/").json()
    assert body["sensor"]["serial"] == "S-A1"
    assert [row["season"] for row in body["seasons"]] == [2024, 2025]
    assert len(body["calibrations"]) == 2
    assert body["installations"][0]["machine_serial"] == "M-A1"
    assert body["due"]["due_on"]


def test_an_administrator_scans(admin, tech, manager, settings, world):
    settings.REDIS_URL = ""
    world.season("A1", 2025)
    answer = admin.post(f"{V1}scans/", {"full": True})
    assert answer.status_code == 201
    assert answer.json()["judged"] == 8
    assert answer.json()["failed"] == []
    path = f"{V1}scans/{answer.json()['id']}/"
    assert tech.get(path).json() == admin.get(path).json()
    refused(manager.post(f"{V1}scans/", {}), 403)
    refused(admin.post(f"{V1}scans/", {"full": "entirely"}), 422, "/full")
    assert DueState.objects.filter(sensor=world.sensors["A1"]).exists()


def test_failures_of_a_scan_are_told_to_those_who_see_every_dealer(admin, tech, world):
    run = ScanRun.objects.create(
        started_at=NOW, failed=[{"sensor": "S-B1", "reason": "no line fits"}]
    )
    assert admin.get(f"{V1}scans/{run.pk}/").json()["failed"][0]["sensor"] == "S-B1"
    assert tech.get(f"{V1}scans/{run.pk}/").json()["failed"] == []


def test_with_a_worker_a_scan_is_queued(admin, settings, monkeypatch, world):
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    told = []
    monkeypatch.setattr("api.resources.scans.tasks.scan.delay", lambda **said: told.append(said))
    answer = admin.post(f"{V1}scans/", {"full": True})
    assert answer.status_code == 202
    run = ScanRun.objects.get()
    assert answer.json() == {"id": run.pk, "queued": True, "full": True}
    assert told == [{"full": True}]
    waiting = admin.get(f"{V1}scans/{run.pk}/").json()
    assert (waiting["state"], waiting["progress"], waiting["finished_at"]) == ("waiting", 0, None)
    assert admin.post(f"{V1}scans/", {"full": True}).json()["id"] == run.pk


def test_a_scan_shows_how_far_it_is(admin, world, monkeypatch):
    monkeypatch.setattr(stages, "JUDGE_SENSORS", 3)
    run, clock = scan.start(full=True, now=NOW), Clock(NOW)
    seen = []
    for _ in range(5):
        chunk = claiming.claim(run=run, worker="one", now=NOW)
        row = admin.get(f"{V1}scans/{run.pk}/").json()
        seen.append(tuple(row[name] for name in ("state", "progress", "chunks", "chunks_done")))
        working.work(chunk, clock=clock, told=lambda: None)
    assert seen == [
        ("running", 0.0, 1, 0), ("running", 0.0, 2, 1), ("running", 0.0, 5, 2),
        ("running", 0.375, 5, 3), ("running", 0.75, 5, 4),
    ]  # fmt: skip
    scan.work_off(run, clock=clock)
    row = admin.get(f"{V1}scans/?full=true").json()["results"][0]
    assert (row["state"], row["progress"], row["chunks"], row["judged"]) == ("finished", 1, 6, 8)


def test_a_worker_that_cannot_be_reached_is_said(admin, settings, monkeypatch, world):
    from kombu.exceptions import OperationalError

    def away(**_):
        raise OperationalError

    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    monkeypatch.setattr("api.resources.scans.tasks.scan.delay", away)
    refused(admin.post(f"{V1}scans/", {}), 503)
    assert scan.under_way() == [ScanRun.objects.get()]  # the nightly scan will do it
