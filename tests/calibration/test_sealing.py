"""What was measured cannot be changed or deleted, not even in raw SQL; `verify` sees who tries."""

import json
from io import StringIO

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import DatabaseError, connection, transaction

from calibration import functional, sealing
from calibration.apps import check_seals
from calibration.models import PackedHistory
from calibration.scan import run_scan
from calibration.verifying import verify
from fleet.models import Erasure
from tests.calibration.test_functional import draft as functional_draft
from tests.conftest import NOW, SYSTEM


@pytest.fixture
def recorded(world):
    world.season("A1", 2025)
    world.season("A1", 2026)
    functional.record_functional_test(functional_draft(world), scope=SYSTEM, now=NOW)
    Erasure.objects.create(
        dealer=world.dealers["A"], customer=world.customers["A1"], erased_at=NOW, open=False
    )
    return world


ATTEMPTS = {
    "calibration_calibration": "UPDATE calibration_calibration SET note = 'better'",
    "calibration_calibrationpoint": "UPDATE calibration_calibrationpoint SET reading = 1",
    "calibration_functionaltest": "UPDATE calibration_functionaltest SET technician = 'x'",
    "calibration_setpointstep": "UPDATE calibration_setpointstep SET pressure = 0",
    "fleet_change": "UPDATE fleet_change SET actor_id = 1",
    "fleet_erasure": "UPDATE fleet_erasure SET erased_by_id = NULL",
}


@pytest.mark.parametrize("table", sealing.SEALED_TABLES)
def test_raw_sql_can_neither_change_nor_delete(recorded, table):
    attempts = [ATTEMPTS[table], f"DELETE FROM {table}"]
    if connection.vendor == "postgresql":
        _execute("SET CONSTRAINTS ALL IMMEDIATE")  # a truncate waits for nothing then
        attempts.append(f"TRUNCATE {table} CASCADE")
    for statement in attempts:
        with pytest.raises(DatabaseError, match="sealed"), transaction.atomic():
            _execute(statement)
    assert list(verify(now=NOW)) == []


def test_the_check_names_a_seal_that_is_missing(recorded):
    assert check_seals(["default"]) == []
    _break_seals()
    found = check_seals(["default"])
    assert [message.id for message in found] == ["calibration.E001"]
    sealing.install(connection)
    assert check_seals(["default"]) == []


def _break_seals():
    """Take the seals off, as a superuser of the database could."""
    with connection.cursor() as cursor:
        for name in sorted(sealing.present(connection)):
            table = name.rsplit("_no_", 1)[0]
            where = f" ON {table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER {name}{where}")


def _execute(statement):
    with connection.cursor() as cursor:
        cursor.execute(statement)


@pytest.mark.parametrize(
    ("tampering", "what"),
    [
        (
            "UPDATE calibration_calibrationpoint SET reading = reading + 1 WHERE number = 2",
            "content",
        ),
        ("UPDATE calibration_calibration SET technician = 'somebody'", "content"),
        ("UPDATE calibration_functionaltest SET position = 'row 2'", "content"),
        ("UPDATE calibration_setpointstep SET pressure = 1", "content"),
        ("UPDATE calibration_calibration SET recorded_at = performed_at", "place"),
        ("UPDATE fleet_sensor SET serial = 'S-OTHER' WHERE serial = 'S-A1'", "serial"),
    ],
)
def test_verify_finds_what_was_altered_under_the_seals(recorded, tampering, what):
    _break_seals()
    _execute(tampering)
    found = list(verify(now=NOW))
    assert found
    assert any(what in finding.what for finding in found)


def test_verify_finds_a_removed_record(recorded):
    _break_seals()
    first = recorded.sensors["A1"].calibrations.order_by("chain_number").first()
    for table in ("fit", "judgement", "calibrationpoint"):
        if table == "judgement":
            _execute("DELETE FROM calibration_judgement")
        else:
            _execute(
                f"DELETE FROM calibration_{table} WHERE calibration_id IN "
                "(SELECT id FROM calibration_calibration WHERE chain_number = 1)"
            )
    _execute("DELETE FROM calibration_calibration WHERE chain_number = 1")
    found = list(verify(now=NOW))
    assert first.pk not in [finding.record for finding in found]
    assert any("missing" in finding.what for finding in found)


def test_the_command_says_so_and_exits_1(recorded):
    out = StringIO()
    call_command("verify", stdout=out)
    assert "Every record agrees" in out.getvalue()
    _break_seals()
    _execute("UPDATE calibration_calibration SET note = 'x' WHERE chain_number = 2")
    out = StringIO()
    with pytest.raises(CommandError, match="1 findings") as failed:
        call_command("verify", "--json", stdout=out)
    assert failed.value.returncode == 1
    assert json.loads(out.getvalue())["findings"][0]["sensor_serial"] == "S-A1"


def test_a_packed_history_that_is_not_what_the_records_say_is_found_and_made_again(world):
    world.season("A1", 2025)
    world.season("A2", 2025)
    sound = PackedHistory.objects.get(sensor=world.sensors["A1"]).heads
    PackedHistory.objects.filter(sensor=world.sensors["A1"]).update(heads=bytes(len(sound)))
    assert [(found.sensor_serial, found.kind) for found in verify(now=NOW)] == [
        ("S-A1", "packed history")
    ]
    assert list(verify(now=NOW)) == []
    run_scan(now=NOW)
    assert bytes(PackedHistory.objects.get(sensor=world.sensors["A1"]).heads) == bytes(sound)
