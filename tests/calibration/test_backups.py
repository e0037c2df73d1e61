"""Backup and restore with real databases and real processes, while somebody works."""

import pytest

from tests import databases
from tests.databases import manage, on_server, query

FILL = """
import django; django.setup()
from tests.conftest import build_world
world = build_world()
for year in (2023, 2024, 2025):
    for which in ("A1", "A2", "B1"):
        world.season(which, year)
"""
# Records one calibration after the other, and says each that is stored.
WRITER = """
import django; django.setup()
from datetime import UTC, datetime, timedelta
from calibration import records
from fleet.models import Sensor
from fleet.scope import Scope
sensor = Sensor.objects.get(serial="S-A1")
points = (records.PointDraft(0, 20000), records.PointDraft(100, 30000))
for day in range(5000):
    when = datetime(2025, 4, 1, tzinfo=UTC) + timedelta(hours=day)
    draft = records.CalibrationDraft(sensor=sensor, performed_at=when, load_unit="daN",
                                     reading_unit="count", points=points)
    now = datetime(2027, 1, 1, tzinfo=UTC)
    stored = records.record_calibration(draft, scope=Scope.system(), now=now)
    print(stored.calibration.pk.hex, flush=True)
"""


@pytest.fixture(scope="module")
def filled(migrated, tmp_path_factory):
    """Return the address of a database with records, to be copied."""
    url = databases.url_of("backup_filled", tmp_path_factory.mktemp("filled"))
    databases.make(url, migrated)
    done = databases.run(url, "-c", FILL)
    assert done.returncode == 0, done.stderr
    if not on_server():
        query(url, "PRAGMA wal_checkpoint(TRUNCATE)")
    yield url
    databases.drop(url)


@pytest.fixture
def place(filled, tmp_path):
    """Return the function that makes a database: a copy of the filled one, or an empty one."""
    made = []

    def making(name, *, empty=False):
        url = databases.url_of(f"backup_{name}", tmp_path)
        databases.make(url, "" if empty else filled)
        made.append(url)
        return url

    yield making
    for url in made:
        databases.drop(url)


def ids(url):
    return {
        str(key).replace("-", "")
        for (key,) in query(url, "SELECT id FROM calibration_calibration")
    }


def test_a_backup_taken_while_somebody_records_holds_all_that_was_stored_before(place, tmp_path):
    here, there, file = place("source"), place("target", empty=True), tmp_path / "one.bak"
    writer = databases.start(here, "-c", WRITER)
    with writer:
        assert writer.stdout
        stored = {writer.stdout.readline().strip() for _ in range(10)}
        done = manage(here, "backup", str(file))
        assert done.returncode == 0, done.stderr
        assert writer.poll() is None, writer.stderr and writer.stderr.read()
        writer.kill()
    assert file.stat().st_mode & 0o777 == 0o600
    assert [path.name for path in tmp_path.glob(".*.part")] == []
    done = manage(there, "restore", str(file))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "as they were recorded" in done.stdout
    assert stored <= ids(there) <= ids(here)
    assert manage(there, "verify").returncode == 0
    assert manage(there, "check", "--database", "default").returncode == 0
    refused = databases.run(there, "-c", "import django; django.setup()\n"
                            "from calibration.models import Calibration\n"
                            "Calibration.objects.update(note='x')")  # fmt: skip
    assert "sealed" in refused.stderr
    # Who did what came along, and goes on being written.
    before = query(there, "SELECT count(*) FROM fleet_change")
    query(there, "UPDATE fleet_customer SET phone = '1'")
    assert query(there, "SELECT count(*) FROM fleet_change") > before


def test_nothing_is_overwritten_unless_it_is_said(place, tmp_path):
    here, there, file = place("source"), place("target"), tmp_path / "one.bak"
    query(there, "UPDATE fleet_customer SET phone = 'of the target'")
    assert manage(here, "backup", str(file)).returncode == 0
    old = file.read_bytes()
    again = manage(here, "backup", str(file))
    assert again.returncode == 2
    assert "--force" in again.stderr
    assert file.read_bytes() == old
    assert manage(here, "backup", str(file), "--force").returncode == 0
    refused = manage(there, "restore", str(file))
    assert refused.returncode == 2
    assert "--replace" in refused.stderr
    assert query(there, "SELECT DISTINCT phone FROM fleet_customer") == [("of the target",)]
    replaced = manage(there, "restore", str(file), "--replace")
    assert replaced.returncode == 0, replaced.stderr
    assert query(there, "SELECT count(*) FROM fleet_customer WHERE phone = 'of the target'") == [
        (0,)
    ]


def test_a_damaged_file_changes_nothing(place, tmp_path):
    here, there, file = place("source"), place("target"), tmp_path / "one.bak"
    assert manage(here, "backup", str(file)).returncode == 0
    whole = file.read_bytes()
    turned = bytearray(whole)
    for at in range(len(whole) // 3, len(whole) // 3 + 4096):
        turned[at] ^= 0xFF
    other = b"SQLite format 3\0" if on_server() else b"PGDMP" + bytes(11)
    kept = ids(there)
    for content in (whole[: len(whole) // 2], bytes(turned), other):
        file.write_bytes(content)
        refused = manage(there, "restore", str(file), "--replace")
        assert refused.returncode == 2, refused.stdout + refused.stderr
        assert "Traceback" not in refused.stderr
        assert ids(there) == kept
    assert manage(there, "verify").returncode == 0


def test_a_backup_of_altered_records_is_restored_and_named(place, tmp_path):
    here, there, file = place("source"), place("target", empty=True), tmp_path / "one.bak"
    trigger = "DROP TRIGGER calibration_calibrationpoint_no_update"
    query(here, trigger + (" ON calibration_calibrationpoint" if on_server() else ""))
    query(here, "UPDATE calibration_calibrationpoint SET reading = reading + 1")
    assert manage(here, "backup", str(file)).returncode == 0
    done = manage(there, "restore", str(file))
    assert done.returncode == 1
    assert "its content was altered" in done.stdout
    assert manage(there, "check", "--database", "default").returncode == 0  # the seal is on again


def test_a_backup_of_a_newer_version_is_refused(place, tmp_path):
    here, there, file = place("source"), place("target"), tmp_path / "one.bak"
    query(here, "INSERT INTO django_migrations (app, name, applied) VALUES "
          "('calibration', '9999_next', '2026-01-01')")  # fmt: skip
    assert manage(here, "backup", str(file)).returncode == 0
    refused = manage(there, "restore", str(file), "--replace")
    assert refused.returncode == 2
    assert "calibration.9999_next" in refused.stderr


@pytest.mark.parametrize("call", [("backup", "/nowhere/x.bak"), ("restore", "/nowhere/x.bak")])
def test_a_wrong_call_ends_with_2(place, call):
    wrong = manage(place("source"), *call)
    assert wrong.returncode == 2
    assert "Traceback" not in wrong.stderr
