"""`load_records` at the command line: exit codes, totals, JSON, files that are no files."""

import json

import pytest
import time_machine
from django.core.management import CommandError, call_command

from calibration.models import Calibration
from calibration.record_file import COLUMNS
from tests.calibration.record_files import as_csv, record


@pytest.fixture(autouse=True)
def _on_that_day():
    """Stop the clock that the command reads soon after the records of March 2026."""
    with time_machine.travel("2026-04-10T12:00:00Z", tick=False):
        yield


@pytest.fixture
def run(world, tmp_path, capsys):
    """Run the command on rows; return exit code, output and messages."""

    def call(rows, *options, dealer="NORTH", name="records.csv"):
        path = tmp_path / name
        path.write_bytes(as_csv(rows) if isinstance(rows, list) else rows)
        try:
            call_command("load_records", str(path), "--dealer", dealer, *options)
        except SystemExit as left:
            code = left.code
        except CommandError as wrong:
            return wrong.returncode, capsys.readouterr().out, str(wrong)
        else:
            code = 0
        seen = capsys.readouterr()
        return code, seen.out, seen.err

    return call


def test_the_last_line_has_the_totals(run):
    code, out, err = run(record())
    assert code == 0
    assert out.splitlines()[-1].startswith("1 records: 1 stored, 0 already there, 0 refused")
    assert "%" not in err  # no bar in a pipe


def test_refused_records_end_with_1_and_their_reasons(run):
    code, out, err = run([*record(), *record("bad", load_unit="stone")])
    assert code == 1
    assert "row 4, column load_unit, record bad: It is not known here. Accepted: N, daN" in err
    assert "(got 'stone')" in err
    assert "1 stored, 0 already there, 1 refused" in out.splitlines()[-1]


def test_json_is_one_object_of_the_promised_shape(run):
    code, out, _ = run([*record(), *record("bad", load_unit="stone")], "--json")
    told = json.loads(out)
    assert code == 1
    assert {key: told[key] for key in ("records", "stored", "already_there", "refused")} == {
        "records": 2, "stored": 1, "already_there": 0, "refused": 1,
    }  # fmt: skip
    assert told["created"] == {"customers": 0, "machines": 0, "sensors": 0, "installations": 0}
    assert told["reasons"][0] == {
        "row": 4, "record_id": "bad", "column": "load_unit", "value": "stone",
        "reason": "It is not known here. Accepted: N, daN, kN, kgf, kg, lbf, lb.",
    }  # fmt: skip


def test_a_refused_file_ends_with_1_and_the_place(run):
    code, out, message = run(as_csv(record()).replace(b",reading,", b",Anzeige,"), "--json")
    assert code == 1
    assert "'Anzeige' is unknown" in message
    assert json.loads(out)["records"] == 0
    assert "reading is missing" in json.dumps(json.loads(out)["reasons"])
    assert not Calibration.objects.exists()


def test_a_dry_run_keeps_nothing(run):
    code, out, _ = run(record(), "--dry-run")
    assert code == 0
    assert out.splitlines()[-1].startswith("dry run, nothing kept: 1 records: 1 stored")
    assert not Calibration.objects.exists()


def test_refused_rows_are_written(run, tmp_path):
    rejects = tmp_path / "refused.csv"
    code, _, _ = run(record(load_unit="stone"), "--rejects", str(rejects))
    assert code == 1
    lines = rejects.read_text(encoding="utf-8").splitlines()
    assert lines[0] == ",".join([*COLUMNS, "refused_because"])
    assert len(lines) == 3


def test_an_unknown_dealer_ends_with_2_and_the_known_ones(run):
    code, _, message = run(record(), dealer="WEST")
    assert code == 2
    assert "NORTH, SOUTH" in message


@pytest.mark.parametrize("rejects", ["records.csv", "nowhere/refused.csv", "."])
def test_refused_rows_go_where_they_can(run, tmp_path, rejects):
    code, _, message = run(record(), "--rejects", str(tmp_path / rejects))
    assert code == 2
    assert "--rejects" in message
    assert not Calibration.objects.exists()


def test_a_missing_file_ends_with_2(world, tmp_path):
    with pytest.raises(CommandError, match="there is no such file") as caught:
        call_command("load_records", str(tmp_path / "none.csv"), "--dealer", "NORTH")
    assert caught.value.returncode == 2


def test_the_help_has_an_example_and_every_column(capsys):
    from calibration.management.commands.load_records import Command

    text = Command().create_parser("manage.py", "load_records").format_help()
    assert "load_records spring.csv --dealer NORTH --dry-run" in text
    assert all(column in text for column in COLUMNS)
