"""The dossier of a sensor: its whole life in one ZIP, with digests that anybody can check."""

import csv
import io
import json
import re
import subprocess
import sys
import zipfile
from datetime import UTC, date, datetime

import pytest

from calibration import documents, readout
from calibration.documents.flag_words import flag_words
from calibration.functional import FunctionalDraft, StepDraft, record_functional_test
from calibration.models import DriftFlag
from calibration.record_file import COLUMNS
from calibration.records import PointDraft
from fleet import registry
from fleet.errors import NotFound
from tests.calibration.documents_text import pages, text_of
from tests.conftest import NOW, SYSTEM
from tests.shared_world import upon_the_world

NAMES = [
    "dossier.pdf", "calibrations.csv", "functional_tests.csv", "history.json", "digests.txt",
    "README.txt",
]  # fmt: skip


@upon_the_world
def aged(world):
    """A cell with three seasons, a correction and a functional test, later on another machine."""
    personal = {"technician": "Zofia Wrona", "note": "=key under the Farm A1 doormat"}
    world.season("A1", 2023, **personal)
    wrong = world.season("A1", 2024, **personal).calibration
    world.season(
        "A1",
        2024,
        points=(PointDraft(0, 20050), PointDraft(100, 29950, "down")),
        supersedes=wrong,
        supersede_reason="Zofia misread a digit",
    )
    world.season("A1", 2025, points=(PointDraft(0, 20010), PointDraft(100, 29410)))
    steps = (
        StepDraft(50, 51.5, 48, 55, 20, "steady"), StepDraft(100, 80, 60, 120, 18, "bouncing"),
    )  # fmt: skip
    test = FunctionalDraft(
        installation=world.installations["A1"],
        performed_at=datetime(2025, 4, 2, tzinfo=UTC),
        load_unit="daN",
        pressure_unit="bar",
        steps=steps,
        technician="Zofia Wrona",
    )
    record_functional_test(test, scope=SYSTEM, now=NOW)
    return world


def archive_of(world, scope="techA", sensor="A1"):
    content = documents.dossier(world.sensors[sensor], scope=world.scopes[scope], now=NOW)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert archive.testzip() is None
        return {name: archive.read(name) for name in archive.namelist()}


def rows_of(content):
    return list(csv.DictReader(io.StringIO(content.decode(), newline="")))


def test_it_holds_what_it_says(aged):
    files = archive_of(aged)
    assert list(files) == NAMES
    assert all(name in files["README.txt"].decode() for name in NAMES[:-1])


def test_the_history_is_the_one_that_everybody_reads(aged):
    history = json.loads(archive_of(aged)["history.json"])
    answer = readout.sensor_history(aged.sensors["A1"], aged.scopes["techA"])
    assert [one["id"] for one in history["calibrations"]] == [
        one["id"] for one in answer["calibrations"]
    ]
    assert history["seasons"] == json.loads(json.dumps(answer["seasons"]))
    assert [one["fit"] for one in history["calibrations"]] == [
        one["fit"] for one in answer["calibrations"]
    ]


def test_the_tables_hold_every_point_exactly(aged):
    files = archive_of(aged)
    rows = rows_of(files["calibrations.csv"])
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == 8
    stored = {
        (str(one.pk), point.load, point.reading, point.direction)
        for one in aged.sensors["A1"].calibrations.all()
        for point in one.points.all()
    }
    assert stored == {
        (row["record_id"], float(row["load"]), float(row["reading"]), row["direction"])
        for row in rows
    }
    assert {(row["sensor"], row["machine"], row["machine_model"]) for row in rows} == {
        ("S-A1", "M-A1", "Ackerfurche 8")
    }
    steps = rows_of(files["functional_tests.csv"])
    assert [(row["commanded"], row["observed"]) for row in steps] == [
        ("50.0", "steady"), ("100.0", "bouncing"),
    ]  # fmt: skip
    assert {row["verdict"] for row in steps} == {"fail"}


def test_no_cell_of_a_table_is_a_formula(aged):
    notes = {row["note"] for row in rows_of(archive_of(aged)["calibrations.csv"])}
    assert notes == {"'=key under the Farm A1 doormat", ""}


def checked(folder):
    """Run the check of the README, as its reader would."""
    script = (folder / "README.txt").read_text("utf-8").split("---- 8< ----\n")[1]
    (folder / "check.py").write_text(script, "utf-8")
    return subprocess.run(
        [sys.executable, "-I", "check.py"], cwd=folder, capture_output=True, text=True, check=False
    )


@pytest.fixture
def unpacked(aged, tmp_path):
    for name, content in archive_of(aged).items():
        (tmp_path / name).write_bytes(content)
    return tmp_path


def test_the_readme_checks_the_digests(unpacked):
    done = checked(unpacked)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("ok ") == 4 + 1 + 4  # calibrations, functional test, files


def test_the_readmes_check_finds_what_was_altered(unpacked):
    digests = unpacked / "digests.txt"
    honest = digests.read_text("utf-8")
    lines = honest.splitlines(keepends=True)
    record = lines[3].split("\t")
    record[3] = "f" * 64  # another content, the digest kept
    digests.write_text("".join([*lines[:3], "\t".join(record), *lines[4:]]), "utf-8")
    assert "ALTERED" in checked(unpacked).stdout
    digests.write_text("".join(lines[:3] + lines[4:]), "utf-8")  # a record taken out
    assert checked(unpacked).returncode == 1
    digests.write_text(honest, "utf-8")
    with (unpacked / "calibrations.csv").open("ab") as table:
        table.write(b"one more row\r\n")
    assert "ALTERED file calibrations.csv" in checked(unpacked).stdout


def test_the_pdf_tells_the_life(aged):
    pdf = archive_of(aged)["dossier.pdf"]
    text = text_of(pdf)
    assert 1 <= pages(pdf) <= 4
    for words in (
        "Dossier of load cell S-A1", "M-A1", "superseded by the record of 2024-03-10",
        "beyond", "94.0 count/daN", "Functional tests", "bouncing", "README.txt",
        "4 calibrations, 1 functional tests",
    ):  # fmt: skip
        assert words in text
    assert all(one.digest in text for one in aged.sensors["A1"].calibrations.all())


def test_the_same_day_gives_the_same_bytes(aged):
    first, second = (
        documents.dossier(aged.sensors["A1"], scope=aged.scopes["techA"], now=NOW) for _ in "12"
    )
    assert first == second


def everything(files):
    return "".join(
        text_of(content) if name.endswith(".pdf") else content.decode()
        for name, content in files.items()
    )


def test_it_names_no_owner_and_a_reviewer_no_technician(aged):
    flag = aged.sensors["A1"].flags.first()
    flag.status, flag.closed_at, flag.close_reason = "closed", NOW, "Farm A1 hit a stone"
    flag.save()
    assert "Zofia" in everything(archive_of(aged))  # the dealer's own people may read it
    told = everything(archive_of(aged, "reviewer"))
    for trace in ("Farm", "farm.example", "+48 555", "Zofia", "doormat"):
        assert trace not in told


def test_after_a_resale_the_former_owner_does_not_appear(aged):
    registry.transfer_machine(
        scope=SYSTEM, machine=aged.machines["A1"], customer=aged.customers["B1"]
    )
    told = everything(archive_of(aged, "techB"))
    assert "M-A1" in told
    for trace in ("Farm", "farm.example", "Zofia", "doormat"):
        assert trace not in told
    with pytest.raises(NotFound):
        archive_of(aged, "techA")


def test_another_dealer_finds_no_such_sensor(aged):
    with pytest.raises(NotFound):
        archive_of(aged, "managerB")


def test_a_cell_that_moved_tells_both_machines(aged):
    registry.remove_sensor(
        scope=SYSTEM, installation=aged.installations["A2"], removed_on=date(2025, 10, 1)
    )
    registry.remove_sensor(
        scope=SYSTEM, installation=aged.installations["A1"], removed_on=date(2025, 10, 1)
    )
    registry.install_sensor(
        scope=SYSTEM,
        sensor=aged.sensors["A1"],
        machine=aged.machines["A2"],
        position="row 1",
        installed_on=date(2025, 10, 1),
    )
    aged.season("A1", 2026, load_unit="lbf", points=(PointDraft(0, 20010), PointDraft(220, 29200)))
    text = text_of(archive_of(aged)["dossier.pdf"])
    assert "M-A1" in text
    assert "M-A2" in text
    assert "count/lbf" in text


def test_a_cell_without_records_has_a_dossier_too(world):
    files = archive_of(world, sensor="A2b")
    assert rows_of(files["calibrations.csv"]) == []
    assert "No calibration has been judged yet" in text_of(files["dossier.pdf"])


def test_reading_it_takes_a_fixed_number_of_queries(aged, django_assert_max_num_queries):
    with django_assert_max_num_queries(16):
        archive_of(aged)


def test_a_flag_on_paper_has_its_units_whatever_its_kind():
    for kind in DriftFlag.Kind:
        said = flag_words(kind, 5.0, 3.0)
        unit = "days" if kind == "overdue" else "%"
        assert re.search(rf"[+ ]5(\.0+)? {unit}", f" {said}"), said
        assert kind == "overdue" or re.search(r" 3(\.0)? %", said)
