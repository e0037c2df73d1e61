"""Record files over HTTP: checked by the worker, read row by row, committed; bound to content."""

import hashlib
import io
import zipfile

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from openpyxl import Workbook

from calibration import receiving
from calibration.claiming import Clock
from calibration.models import Calibration, ImportRun
from fleet.models import Sensor
from tests.api.conftest import NOW, V1, refused

PATH = f"{V1}imports/"


@pytest.fixture(autouse=True)
def _folder(settings, tmp_path):
    settings.IMPORT_FOLDER = tmp_path / "uploads"
    settings.REDIS_URL = ""  # the worker's part is done here, when a test says so


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


def work():
    receiving.work_off(clock=Clock(NOW))


def checked(client, content, name="past.csv"):
    """Upload a file, let the worker check it, and return the import as it is then."""
    answer = upload(client, content, name)
    assert answer.status_code == 201, answer.content
    work()
    return client.get(answer["Location"]).json()


def committed(client, run):
    answer = client.post(f"{PATH}{run['id']}/commit/", {"sha256": run["sha256"]})
    assert answer.status_code == 200, answer.content
    assert answer.json()["status"] == "committing"
    work()
    return client.get(f"{PATH}{run['id']}/").json()


def rows(client, run, **query):
    return client.get(f"{PATH}{run['id']}/rows/", query).json()


GOOD = [
    line(load, reading, "good", sensor="S-A2", machine="M-A2", customer="Farm A2")
    for load, reading in ((0, 20000), (100, 30000))
]
BAD = [line(0, 20000), line(100, 70000)]


def test_a_file_is_checked_and_then_committed(manager, world):
    answer = upload(manager, text(), dealer="NORTH")
    assert answer.status_code == 201
    run = answer.json()
    assert (run["status"], run["dealer_code"]) == ("received", "NORTH")
    assert run["sha256"] == hashlib.sha256(text().encode()).hexdigest()
    assert run["size"] == len(text())
    assert run["check"] is run["commit"] is None
    work()
    run = manager.get(f"{PATH}{run['id']}/").json()
    assert run["status"] == "checked"
    assert run["progress"] == {"step": "checking", "done": 1, "total": 1, "percent": 100}
    assert run["check"]["records"] == run["check"]["stored"] == 1
    assert not Calibration.objects.exists()
    done = committed(manager, run)
    assert (done["status"], done["commit"]["stored"]) == ("done", 1)
    assert Calibration.objects.get().recorded_by == world.users["managerA"]
    again = manager.post(f"{PATH}{run['id']}/commit/", {"sha256": run["sha256"]})
    assert again.json() == done
    assert Calibration.objects.count() == 1
    assert checked(manager, text())["check"]["already_there"] == 1


def test_what_is_unknown_is_created_and_counted(manager, world):
    lines = [line(load, reading, sensor="S-NEW", machine="M-NEW", customer="Neu")
             for load, reading in ((0, 20000), (100, 30000))]  # fmt: skip
    run = checked(manager, text(*lines))
    assert run["check"]["created"] == {
        "customers": 1, "machines": 1, "sensors": 1, "installations": 1,
    }  # fmt: skip
    assert not Sensor.objects.filter(serial="S-NEW").exists()
    assert committed(manager, run)["commit"]["created"] == run["check"]["created"]
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
    run = checked(manager, text(*lines, *GOOD))
    found = run["check"]
    assert (found["records"], found["stored"], found["refused"]) == (2, 1, 1)
    bad = rows(manager, run, outcome="refused")["results"]
    assert {each["record_id"] for each in bad} == {"r1"}
    assert {each["row"] for each in bad} == set(range(2, 2 + len(lines)))
    assert all(each["reason"] for each in bad)
    assert column in {each["column"] for each in bad}
    good = rows(manager, run, outcome="accepted")["results"]
    assert {each["record_id"] for each in good} == {"good"}
    committed(manager, run)
    assert [row.sensor_serial for row in Calibration.objects.all()] == ["S-A2"]


def test_rows_come_in_pages_and_in_order(manager, world):
    lines = [each for n in range(20) for each in (line(50, 20000, f"r{n}"), line(50, 1, f"r{n}"))]
    run = checked(manager, text(*GOOD, *lines))
    seen, path = [], f"{PATH}{run['id']}/rows/?outcome=refused&page_size=7"
    while path:
        page = manager.get(path).json()
        assert len(page["results"]) <= 7
        seen += [each["row"] for each in page["results"]]
        path = page["next"]
    assert seen == sorted(seen)
    assert set(seen) == set(range(4, 44))
    everything = rows(manager, run, page_size=500)["results"]
    assert {each["outcome"] for each in everything} == {"accepted", "refused"}
    for query in ("outcome=good", "page_size=0", "cursor=x", "colour=red"):
        refused(manager.get(f"{PATH}{run['id']}/rows/?{query}"), 400)


def test_the_refused_rows_are_corrected_and_uploaded_again(manager, world):
    run = checked(manager, text(*BAD, *GOOD))
    answer = manager.get(f"{PATH}{run['id']}/refused/")
    assert answer["Content-Type"].startswith("text/csv")
    content = b"".join(answer.streaming_content).decode()
    assert content.count("r1,") == 2
    assert "good," not in content
    again = checked(manager, content.replace("70000", "30000"))
    assert again["check"] | {"stored": 1, "refused": 0} == again["check"]


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
def test_a_file_that_cannot_be_read_fails_with_the_reason(manager, world, content, name):
    run = checked(manager, content, name)
    assert run["status"] == "failed"
    assert run["reason"]
    assert run["check"] is None
    refused(manager.get(f"{PATH}{run['id']}/refused/"), 409)
    refused(manager.post(f"{PATH}{run['id']}/commit/", {"sha256": run["sha256"]}), 409)
    assert not Calibration.objects.exists()


def test_an_empty_or_missing_file(manager, world):
    refused(upload(manager, ""), 422, "/file")
    refused(manager.post(PATH, {}, format="multipart"), 422, "/file")
    refused(manager.post(PATH, {"file": "past.csv"}, format="multipart"), 422, "/file")
    refused(manager.post(PATH, {"file": "past.csv"}), 422, "/file")
    refused(upload(manager, text(), dealer="SOUTH"), 422, "/dealer")
    refused(upload(manager, text(), colour="red"), 422, "/colour")
    refused(manager.post(PATH, b"--x", content_type="multipart/form-data; boundary="), 400)


def test_a_file_that_is_too_large(manager, world, settings):
    settings.IMPORT_LARGEST = 300
    problem = refused(upload(manager, text()), 413, "/file")
    assert "300 bytes" in problem["errors"][0]["accepted"]
    answer = manager.post(
        PATH, b"", content_type="multipart/form-data; boundary=x", CONTENT_LENGTH=str(2**40)
    )
    refused(answer, 413)
    assert not ImportRun.objects.exists()


def test_other_order_byte_order_mark_and_windows_lines_are_fine(manager, world):
    names = COLUMNS.split(",")[::-1]
    lines = [",".join(each.split(",")[::-1]) for each in (line(0, 20000), line(100, 30000))]
    content = "\r\n".join([",".join(names), *lines]).encode("utf-8-sig")
    assert checked(manager, content)["check"]["stored"] == 1


def test_a_commit_is_bound_to_what_was_checked(manager, world):
    run = upload(manager, text()).json()
    path, meant = f"{PATH}{run['id']}/commit/", {"sha256": run["sha256"]}
    refused(manager.post(path, meant), 409)  # not checked yet
    work()
    refused(manager.post(path, {"sha256": "0" * 64}), 409, "/sha256")
    refused(manager.post(path), 422, "/sha256")
    refused(manager.post(path, {"sha256": 5}), 422, "/sha256")
    assert not Calibration.objects.exists()
    assert manager.post(path, meant).json()["status"] == "committing"


def test_a_file_is_cancelled_while_it_waits(manager, world):
    run = upload(manager, text()).json()
    path = f"{PATH}{run['id']}/"
    for _ in range(2):
        assert manager.post(f"{path}cancel/").json()["status"] == "cancelled"
    work()
    refused(manager.post(f"{path}commit/", {"sha256": run["sha256"]}), 409)
    other = checked(manager, text())
    committed(manager, other)
    refused(manager.post(f"{PATH}{other['id']}/cancel/"), 409)


def test_a_technician_uploads_nothing_and_a_stranger_sees_nothing(tech, stranger, manager, world):
    refused(upload(tech, text()), 403)
    run = checked(manager, text(*BAD, *GOOD))
    path = f"{PATH}{run['id']}/"
    for door in ("", "rows/", "refused/"):
        refused(stranger.get(path + door), 404)
        refused(tech.get(path + door), 404)
    for door in ("commit/", "cancel/"):
        refused(stranger.post(path + door, {"sha256": run["sha256"]}), 404)
    assert stranger.get(PATH).json()["results"] == []
