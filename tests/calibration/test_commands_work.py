"""The commands `scan`, `plan_visits` and `send_reminders`: output, exit codes, help."""

import io
import json
import socket
from datetime import UTC, datetime
from typing import Any, ClassVar
from unittest.mock import Mock

import pytest
import time_machine
from django.core import mail
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection

from calibration import judging, scan
from calibration.management import helping
from calibration.models import DriftFlag, ScanRun, Visit
from calibration.records import PointDraft
from fleet.models import Membership
from tests.conftest import build_world

NOON = datetime(2027, 2, 1, 12, 0, tzinfo=UTC)
KEYS = {"sensors", "judged", "flags_opened", "flags_closed", "seconds", "failed"}


@pytest.fixture(autouse=True)
def frozen():
    """Stop the clock."""
    with time_machine.travel(NOON, tick=False):
        yield


def run(*arguments):
    """Return what a command prints, and its exit code (0, 1 or 2) with the message."""
    out = io.StringIO()
    try:
        call_command(*arguments, stdout=out)
    except CommandError as failed:
        return out.getvalue(), failed.returncode, str(failed)
    return out.getvalue(), 0, ""


def test_scan_prints_exactly_the_object_of_the_contract(world):
    text, code, _ = run("scan", "--json")
    result = json.loads(text)
    assert (result.keys(), code) == (KEYS, 0)
    assert (result["sensors"], result["failed"]) == (8, [])


class Process:
    """A further process that never began, and how it ended."""

    exitcode = 0
    made: ClassVar[list[Any]] = []

    def __init__(self, *, target, args):
        self.said = [(target, args)]
        self.made.append(self.said)

    def start(self):
        self.said.append("started")

    def join(self):
        self.said.append("waited for")


@pytest.fixture
def further(monkeypatch):
    monkeypatch.setattr(Process, "made", [])
    monkeypatch.setattr(helping.multiprocessing, "get_context", lambda _: Mock(Process=Process))
    monkeypatch.setattr(helping, "connections", Mock())  # the test's transaction stays
    return Process.made


def test_further_workers_join_the_same_scan(world, further):
    text, code, _ = run("scan", "--workers=3", "--json")
    assert (json.loads(text).keys(), code) == (KEYS, 0)
    run_id = ScanRun.objects.get().pk
    assert further == [[(helping.work_along, (run_id,)), "started", "waited for"]] * 2
    assert helping.connections.close_all.call_count == 1


def test_alone_no_connection_is_closed(world, further):
    assert run("scan")[1] == 0
    assert (further, helping.connections.close_all.call_count) == ([], 0)


def test_scan_says_when_a_further_worker_failed(world, further, monkeypatch, capfd):
    monkeypatch.setattr(Process, "exitcode", -9)
    assert run("scan", "--workers=2")[1] == 0
    assert "Workers ended early, with [-9]" in capfd.readouterr().err


def test_a_further_worker_works_the_scan_off_and_says_nothing(world, capfd):
    row = scan.start(full=True, now=NOON)
    helping.work_along(row.pk)
    row.refresh_from_db()
    assert row.judged == 8
    helping.work_along(row.pk)
    assert capfd.readouterr() == ("", "")


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_processes_of_their_own_work_a_scan_off():
    if connection.vendor != "postgresql":
        pytest.skip("processes need a database that they can share (DATABASE_URL)")
    build_world()
    row = scan.start(full=True, now=NOON)
    with helping.further_workers(row.pk, 2) as further:
        pass  # nothing is done here
    row.refresh_from_db()
    assert (row.judged, [each.exitcode for each in further]) == (8, [0, 0])
    assert set(row.chunks.values_list("claimed_by", flat=True)) <= {
        f"{socket.gethostname()}:{each.pid}"[:80] for each in further
    }


@pytest.mark.parametrize("number", ["0", "65", "two", "-1", "1.5"])
def test_a_wrong_number_of_workers_is_a_wrong_call(number):
    with pytest.raises(CommandError, match="no number of workers; accepted: 1 to 64"):
        call_command("scan", f"--workers={number}")


def test_scan_full_judges_everybody_and_finding_drift_is_no_failure(world):
    world.season("A1", 2025)
    world.season("A1", 2026, points=(PointDraft(0, 20000), PointDraft(100, 31000)))
    text, code, _ = run("scan", "--full", "--json")
    assert (json.loads(text)["judged"], code) == (8, 0)
    assert DriftFlag.objects.filter(kind="slope", level="beyond").exists()
    assert "8 of 8 sensors judged in" in run("scan", "--full")[0]


def test_a_sensor_that_cannot_be_judged_is_named_and_ends_with_1(world, monkeypatch):
    judge, broken = judging.judge, world.sensors["A1"].pk

    def judge_but_one(sensor_ids, **asked):
        if broken in sensor_ids:
            raise ValueError("its points make no line")
        return judge(sensor_ids, **asked)

    monkeypatch.setattr(judging, "judge", judge_but_one)
    text, code, message = run("scan", "--full", "--json")
    assert code == 1
    assert json.loads(text)["failed"] == [{"sensor": "S-A1", "reason": "its points make no line"}]
    assert "S-A1: its points make no line" in message


def test_plan_visits_says_what_it_planned(world):
    text, code, _ = run("plan_visits", "--dealer", "NORTH", "--json")
    found = json.loads(text)
    (plan,) = found.pop("plans")
    assert found == {"planned": 2, "moved": 0, "cancelled": 0, "unplanned": []}
    assert (plan["dealer"], plan["made_by"] in {"greedy", "solver"}) == ("NORTH", True)
    assert plan["cost"] <= plan["greedy_cost"]
    assert code == 0
    said = run("plan_visits")[0].splitlines()
    assert said[0] == "2 visits planned, 0 moved, 0 cancelled."
    assert said[1] == "NORTH: Everything keeps its day and technician."
    assert run("plan_visits", "--dealer=NORTH", "--anew", "--seconds=0", "--json")[1] == 0
    assert run("plan_visits", "--seconds=-1")[1:] == (
        2,
        "--seconds -1 is no time to search; accepted: 0 to 600.",
    )
    assert Visit.objects.count() == 4


def test_whoever_cannot_be_visited_is_named_and_ends_with_1(world):
    Membership.objects.filter(role="technician").delete()
    text, code, message = run("plan_visits", "--dealer=SOUTH", "--json")
    assert code == 1
    assert [each["customer"] for each in json.loads(text)["unplanned"]] == ["Farm B1", "Farm B2"]
    assert "SOUTH / Farm B1: the dealer has no active technician" in message


def test_send_reminders_says_whom_it_told(world):
    run("plan_visits")
    text, code, _ = run("send_reminders", "--json")
    assert json.loads(text) == {"sent": 2, "already": 0, "notes": 0, "failed": []}
    assert code == 0
    assert run("send_reminders")[0] == (
        "0 digests sent, 2 already sent today; 0 notes to customers.\n"
    )
    assert len(mail.outbox) == 2


def test_whoever_cannot_be_told_is_named_and_ends_with_1(world):
    run("plan_visits")
    world.dealers["A"].email = "nobody"
    world.dealers["A"].save()
    text, code, message = run("send_reminders", "--dealer", "NORTH", "--json")
    assert code == 1
    assert json.loads(text)["failed"][0]["dealer"] == "NORTH"
    assert "NORTH: nobody to write to" in message


@pytest.mark.parametrize("command", ["plan_visits", "send_reminders"])
def test_an_unknown_dealer_is_a_wrong_call(world, command):
    _, code, message = run(command, "--dealer", "WEST")
    assert code == 2
    assert "'WEST'" in message
    assert "Accepted: NORTH, SOUTH" in message


@pytest.mark.parametrize("command", ["scan", "plan_visits", "send_reminders", "worker"])
def test_the_help_has_an_example_and_names_the_exit_codes(command, capsys):
    with pytest.raises(SystemExit) as ended:
        call_command(command, "--help")
    text = capsys.readouterr().out
    assert ended.value.code == 0
    assert f"python manage.py {command}" in text
    assert "2 for a wrong call" in " ".join(text.split())
