"""No export holds a cell that a spreadsheet would run: every writer of tables, every resource.

What is dangerous: a cell beginning with = + - @, a tab or a carriage return (OWASP, "CSV
injection"); a number may begin with its sign.
"""

import csv
import io
import re
import zipfile
from pathlib import Path

import openpyxl
import pytest

from api.urls import RESOURCES
from calibration import exporting
from calibration.importing import load_file
from calibration.models import ScanRun
from fleet.models import Dealer, User
from tests.api.conftest import V1
from tests.calibration.record_files import as_csv, record
from tests.conftest import NOW, SYSTEM

ROOT = Path(__file__).parents[2]
EVIL = "=HYPERLINK(1)"
DANGEROUS = re.compile(r"[=+\-@\t\r]")
NUMBER = re.compile(r"[+-]?[0-9.]+([eE][+-]?[0-9]+)?")
# Whoever writes a table; each is tried below.
WRITERS = {
    "api/downloads.py", "calibration/exporting.py", "calibration/documents/tables.py",
    "calibration/importing/result.py",
}  # fmt: skip


def test_no_other_module_writes_tables():
    found = {
        str(path.relative_to(ROOT))
        for app in ("api", "calibration", "fleet")
        for path in (ROOT / app).rglob("*.py")
        if re.search(r"csv\.(writer|DictWriter)|Workbook\(|xlsxwriter", path.read_text())
    }
    assert found == WRITERS


def harmful(rows):
    """Return the cells that a spreadsheet would run."""
    return [
        cell for row in rows for cell in row
        if isinstance(cell, str) and DANGEROUS.match(cell) and not NUMBER.fullmatch(cell)
    ]  # fmt: skip


@pytest.fixture
def evil(world, rows):
    """Every text that a person may write begins like a formula."""
    Dealer.objects.filter(pk=world.dealers["A"].pk).update(name=EVIL)
    User.objects.update(first_name=EVIL, last_name="@sum")
    for customer in world.customers.values():
        type(customer).objects.filter(pk=customer.pk).update(
            name=f"{EVIL}{customer.pk}", phone="+48 5"
        )
    type(world.machine_model).objects.update(name="-1+1 planter")
    type(world.sensor_model).objects.update(name=EVIL)
    type(world.references["A"]).objects.update(name="+scale", certificate="\tx", serial="@1")
    ScanRun.objects.create(started_at=NOW)
    for letter in "AB":
        world.season(f"{letter}1", 2026, technician="=cmd", note="\r=1")

    return world


@pytest.mark.parametrize("views", RESOURCES, ids=lambda views: views.resource)
def test_lists_of_every_resource(admin, evil, views):
    answer = admin.get(f"{V1}{views.resource}/", {"format": "csv"})
    assert answer.status_code == 200, answer.content
    text = b"".join(answer.streaming_content).decode()
    assert harmful(csv.reader(io.StringIO(text, newline=""))) == []
    answer = admin.get(f"{V1}{views.resource}/", {"format": "xlsx"})
    book = openpyxl.load_workbook(io.BytesIO(b"".join(answer.streaming_content)))
    cells = [list(row) for row in book.active.iter_rows()]
    assert len(cells) > 1
    assert not [cell for row in cells for cell in row if cell.data_type == "f"]
    assert harmful([[cell.value for cell in row] for row in cells]) == []


def test_what_a_workbook_cannot_hold_is_written_by_its_number(admin, world):
    """ECMA-376-1, 22.9.2.19 (ST_Xstring); from memory."""
    odd = "drill \x01\x0b\x1f\ufffe\uffff\x85\U0001f69c"
    type(world.machines["A1"]).objects.filter(pk=world.machines["A1"].pk).update(name=odd)
    answer = admin.get(f"{V1}machines/", {"format": "xlsx"})
    book = openpyxl.load_workbook(io.BytesIO(b"".join(answer.streaming_content)))
    said = {cell.value for row in book.active.iter_rows() for cell in row}
    assert "drill _x0001__x000B__x001F__xFFFE__xFFFF_\x85\U0001f69c" in said


def test_something_evil_was_among_them(admin, evil):
    answer = admin.get(f"{V1}customers/", {"format": "csv"})
    assert f",'{EVIL}" in b"".join(answer.streaming_content).decode()


def test_the_record_file(evil):
    out = io.StringIO(newline="")
    exporting.export_records(evil.dealers["A"], scope=SYSTEM, out=out)
    rows = list(csv.reader(io.StringIO(out.getvalue(), newline="")))
    assert harmful(rows) == []
    assert "'=cmd" in {cell for row in rows for cell in row}


def test_the_dossier(admin, evil):
    answer = admin.get(f"{V1}sensors/{evil.sensors['A1'].pk}/dossier/")
    content = answer.content if not answer.streaming else b"".join(answer.streaming_content)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        tables = [name for name in archive.namelist() if name.endswith(".csv")]
        assert len(tables) == 2
        for name in tables:
            text = archive.read(name).decode()
            assert harmful(csv.reader(io.StringIO(text, newline=""))) == []


def test_the_refused_rows(evil):
    bad = record(technician="=cmd", customer="@x", load_unit="-stone", note="\t=1")
    result = load_file(
        as_csv(bad), name="x", dealer=evil.dealers["A"], scope=SYSTEM, now=NOW, dry_run=True
    )
    out = io.StringIO(newline="")
    result.rejects.write(out)
    rows = list(csv.reader(io.StringIO(out.getvalue(), newline="")))
    assert len(rows) > 1
    assert harmful(rows) == []
