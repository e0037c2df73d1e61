"""Record files over HTTP: tried, read, committed; what cannot be read is refused whole."""

import io
import zipfile

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from openpyxl import Workbook

from calibration.models import Calibration, ImportRun
from fleet.models import Sensor
from tests.api.conftest import V1, refused

PATH = f"{V1}imports/"
COLUMNS = (
    "record_id,customer,machine,machine_model,position,sensor,sensor_model,lot,performed_at,"
    "technician,reason,stage,reference,load,load_unit,reading,reading_unit,direction,"
    "temperature_c,hydraulic_pressure,pressure_unit,note"
)


def line(load: object, reading: object, record: str = "r1", **changes: str) -> str:
    values = {
        "record_id": record, "customer": "Farm A1", "machine": "M-A1",
        "machine_model": "Ackerfurche 8", "position": "row 1", "sensor": "S-A1",
        "sensor_model": "LC-500", "lot": "L1", "performed_at": "2025-03-10T09:00:00+01:00",
        "technician": "", "reason": "seasonal", "stage": "as_found", "reference": "",
        "load": str(load), "load_unit": "daN", "reading": str(reading), "reading_unit": "count",
        "direction": "up", "temperature_c": "", "hydraulic_pressure": "", "pressure_unit": "",
        "note": "",
    }  # fmt: skip
    return ",".join((values | changes)[name] for name in COLUMNS.split(","))


def text(*lines: str) -> str:
    return "\n".join([COLUMNS, *(lines or (line(0, 20000), line(100, 30000)))]) + "\n"


def upload(client, content, name="past.csv", **values):
    file = SimpleUploadedFile(name, content.encode() if isinstance(content, str) else content)
    return client.post(PATH, {"file": file} | values, format="multipart")


def test_a_file_is_tried_and_then_committed(manager, world):
    tried = upload(manager, text(), dealer="NORTH")
    assert tried.status_code == 201, tried.content
    run = tried.json()
    assert run["status"] == "tried"
    assert run["dealer_code"] == "NORTH"
    assert run["result"]["records"] == run["result"]["stored"] == 1
    assert not Calibration.objects.exists()
    done = manager.post(f"{PATH}{run['id']}/commit/")
    assert done.json()["status"] == "committed"
    assert done.json()["result"]["stored"] == 1
    made = Calibration.objects.get()
    assert made.recorded_by == world.users["managerA"]
    again = manager.post(f"{PATH}{run['id']}/commit/")
    assert again.json() == done.json()
    assert Calibration.objects.count() == 1
    assert manager.get(f"{PATH}{run['id']}/").json() == done.json()
    twice = upload(manager, text()).json()
    assert twice["result"]["already_there"] == 1


def test_what_is_unknown_is_created_and_counted(manager, world):
    lines = [line(load, reading, sensor="S-NEW", machine="M-NEW", customer="Neu")
             for load, reading in ((0, 20000), (100, 30000))]  # fmt: skip
    run = upload(manager, text(*lines)).json()
    assert run["result"]["created"] == {
        "customers": 1, "machines": 1, "sensors": 1, "installations": 1,
    }  # fmt: skip
    assert not Sensor.objects.filter(serial="S-NEW").exists()
    manager.post(f"{PATH}{run['id']}/commit/")
    assert Sensor.objects.get(serial="S-NEW").dealer == world.dealers["A"]


@pytest.mark.parametrize(
    ("lines", "column"),
    [
        ([line(50, 20000), line(50, 30000)], ""),  # the record as a whole
        ([line(0, 20000)], ""),
        ([line(0, 20000), line(100, 70000)], "reading"),
        ([line(0, 20000), line("NaN", 30000)], "load"),
        ([line(0, 20000), line("inf", 30000)], "load"),
        ([line(0, 20000), line("1e400", 30000)], "load"),
        ([line(0, 20000), line('"110,5"', 30000)], "load"),
        ([line(0, 20000, load_unit="stone"), line(100, 30000, load_unit="stone")], "load_unit"),
        ([line(0, 20000, sensor="S-B1"), line(100, 30000, sensor="S-B1")], "sensor"),
        ([line(0, 20000, sensor="\u0405-A1"), line(100, 30000, sensor="\u0405-A1")], "sensor"),
        *(
            ([line(0, 20000, performed_at=when), line(100, 30000, performed_at=when)],
             "performed_at")
            for when in ("2099-01-01", "2019-01-01", "2026-03-29T02:30:00", "2025-10-26T02:30:00")
        ),
    ],
)  # fmt: skip
def test_a_bad_record_is_refused_and_the_others_go_in(manager, world, lines, column):
    other = {"sensor": "S-A2", "machine": "M-A2", "customer": "Farm A2"}
    good = [line(0, 20000, "good", **other), line(100, 30000, "good", **other)]
    run = upload(manager, text(*lines, *good)).json()
    result = run["result"]
    assert (result["records"], result["stored"], result["refused"]) == (2, 1, 1)
    reason = result["reasons"][0]
    assert reason["record_id"] == "r1"
    assert reason["row"] in {2, 3}
    assert reason["reason"]
    assert column in {each["column"] for each in result["reasons"]}
    manager.post(f"{PATH}{run['id']}/commit/")
    assert [row.sensor_serial for row in Calibration.objects.all()] == ["S-A2"]


def bomb() -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 50_000_000)
    return made.getvalue()


def formula() -> bytes:
    book, made = Workbook(), io.BytesIO()
    book.active.append(COLUMNS.split(","))
    book.active.append([*line(0, 20000).split(",")[:-1], "=1+1"])
    book.save(made)
    return made.getvalue()


@pytest.mark.parametrize(
    ("content", "name"),
    [
        (text().replace("sensor_model,", ""), "missing-column.csv"),
        (text().replace("load,", "weight,"), "unknown-column.csv"),
        (text().replace("Farm A1", "Höfe").encode("latin-1"), "latin.csv"),
        (b"\x00\x01\x02\xff" * 100, "bytes.csv"),
        (bomb(), "bomb.xlsx"),
        (formula(), "formula.xlsx"),
        (b"PK\x03\x04 but no archive", "broken.xlsx"),
        ("x" * 5_000_000, "one-line.csv"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_whole(manager, world, content, name):
    problem = refused(upload(manager, content, name), 400)
    assert problem["code"] == "malformed"
    assert not ImportRun.objects.exists()
    assert not Calibration.objects.exists()


def test_an_empty_or_missing_file(manager, world):
    refused(upload(manager, ""), 422, "/file")
    refused(manager.post(PATH, {}, format="multipart"), 422, "/file")
    refused(manager.post(PATH, {"file": "past.csv"}, format="multipart"), 422, "/file")
    refused(manager.post(PATH, {"file": "past.csv"}), 422, "/file")
    refused(upload(manager, text(), dealer="SOUTH"), 422, "/dealer")
    refused(upload(manager, text(), colour="red"), 422, "/colour")
    refused(manager.post(PATH, b"--x", content_type="multipart/form-data; boundary="), 400)


def test_a_file_that_is_too_large(manager, world, monkeypatch):
    monkeypatch.setattr("api.resources.imports.LARGEST", 300)
    refused(upload(manager, text()), 413)
    answer = manager.post(
        PATH, b"", content_type="multipart/form-data; boundary=x", CONTENT_LENGTH=str(2**40)
    )
    refused(answer, 413)
    assert not ImportRun.objects.exists()


def test_other_order_byte_order_mark_and_windows_lines_are_fine(manager, world):
    names = COLUMNS.split(",")[::-1]
    lines = [",".join(each.split(",")[::-1]) for each in (line(0, 20000), line(100, 30000))]
    content = "\r\n".join([",".join(names), *lines]).encode("utf-8-sig")
    assert upload(manager, content).json()["result"]["stored"] == 1


def test_a_commit_is_bound_to_what_was_tried(manager, world):
    run = upload(manager, text()).json()
    path = f"{PATH}{run['id']}/commit/"
    refused(manager.post(path, {"content_digest": "0" * 64}), 409, "/content_digest")
    ImportRun.objects.update(content=b"something else")
    refused(manager.post(path), 409)
    assert not Calibration.objects.exists()
    ImportRun.objects.update(content=text().encode())
    digest = {"content_digest": run["content_digest"]}
    assert manager.post(path, digest).json()["status"] == "committed"


def test_a_technician_uploads_nothing(tech, stranger, manager, world):
    refused(upload(tech, text()), 403)
    run = upload(manager, text()).json()
    refused(stranger.post(f"{PATH}{run['id']}/commit/"), 404)
