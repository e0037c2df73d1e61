"""Uploaded files: kept on disk, checked and stored by the worker, bound to their content."""

import csv
import hashlib
import io
from datetime import timedelta

import pytest

from calibration import receiving
from calibration.claiming import Clock
from calibration.models import Calibration, ImportRowOutcome, ImportRun
from calibration.receiving import keeping, leasing, working
from fleet.errors import Conflict, Forbidden, Invalid
from fleet.models import Customer, Installation, Membership, Sensor
from tests.calibration.record_files import as_csv, as_xlsx, load, new_sensor, record
from tests.conftest import NOW

Status = ImportRun.Status


@pytest.fixture(autouse=True)
def _folder(settings, tmp_path):
    settings.IMPORT_FOLDER = tmp_path / "uploads"


def mixed():
    """Return a good record, one already bad by itself, and one of a sensor that is new."""
    bad = record("bad", points=((0, 20000), (100, 99999)))
    return [*record("good"), *bad, *new_sensor("new", "S-NEW")]


def upload(world, rows, who="managerA"):
    content = rows if isinstance(rows, bytes) else as_csv(rows)
    kept = receiving.keep([content[:100], content[100:]])
    return receiving.receive(
        kept, name="past.csv", dealer=world.dealers["A"], scope=world.scopes[who], now=NOW
    )


def work(now=NOW):
    return receiving.work_off(clock=Clock(now))


def commit(world, run, sha256=None, who="managerA"):
    return receiving.commit(run, sha256=sha256 or run.sha256, scope=world.scopes[who], now=NOW)


def rows(run, stage, outcome):
    found = ImportRowOutcome.objects.filter(run=run, stage=stage, outcome=outcome)
    return list(found.order_by("row", "number"))


def test_how_far_it_is_is_told_before_the_first_batch_is_done(world, monkeypatch):
    """A batch may take many seconds, in which the page would only say that rows are read."""
    told, extend = [], leasing.extend

    def tell(run, *, now, **values):
        told.extend(
            [(values["step"], values["done"], values["total"])] if "step" in values else []
        )
        extend(run, now=now, **values)

    monkeypatch.setattr(leasing, "extend", tell)
    run = upload(world, mixed())
    work()
    commit(world, run)
    work()
    step = ImportRun.Step
    for began, total in ((step.CHECKING, 3), (step.STORING, 3)):
        assert told.index((began, 0, total)) < told.index((began, total, total))


def test_a_file_goes_from_received_to_done(world):
    run = upload(world, mixed())
    assert (run.status, run.size) == (Status.RECEIVED, len(as_csv(mixed())))
    assert run.sha256 == hashlib.sha256(as_csv(mixed())).hexdigest()
    assert keeping.path_of(run.sha256).read_bytes() == as_csv(mixed())
    work()
    run.refresh_from_db()
    assert run.status == Status.CHECKED
    found = run.check_result
    assert [found[name] for name in ("records", "stored", "already_there", "refused")] == [
        3, 2, 0, 1,
    ]  # fmt: skip
    assert found["created"] == {"customers": 1, "machines": 1, "sensors": 1, "installations": 1}
    assert found["names"]["sensors"] == ["S-NEW"]
    assert not Calibration.objects.exists()
    assert not Sensor.objects.filter(serial="S-NEW").exists()
    commit(world, run)
    work()
    run.refresh_from_db()
    assert run.status == Status.DONE
    assert (run.commit_result["stored"], run.commit_result["refused"]) == (2, 1)
    assert run.commit_result["created"]["sensors"] == 1
    assert {row.sensor_serial for row in Calibration.objects.all()} == {"S-A1", "S-NEW"}
    assert {row.recorded_by for row in Calibration.objects.all()} == {world.users["managerA"]}
    commit(world, run)  # a second time changes nothing
    assert work() == []
    assert Calibration.objects.count() == 2


def test_every_row_says_what_became_of_it(world):
    run = upload(world, mixed())
    work()
    refused = rows(run, "check", "refused")
    assert [(line.row, line.record_id, line.column, line.value) for line in refused] == [
        (4, "bad", "", ""),
        (5, "bad", "reading", "99999 count"),
    ]
    assert "row 5" in refused[0].reason
    assert refused[1].reason
    assert refused[1].accepted
    assert "Accepted:" not in refused[1].reason
    assert [line.row for line in rows(run, "check", "accepted")] == [2, 3, 6, 7]


def test_the_refused_rows_corrected_are_a_file_again(world):
    dangerous = record("bad", points=((0, 20000), (100, 99999)), note="=1+1")
    run = upload(world, [*record("good"), *dangerous])
    work()
    text = receiving.refused_file(run, "check").read_bytes().decode()
    lines = list(csv.DictReader(io.StringIO(text)))
    assert [line["record_id"] for line in lines] == ["bad", "bad"]
    assert {line["note"] for line in lines} == {"'=1+1"}  # no spreadsheet runs it
    assert all(line["refused_because"] for line in lines)
    corrected = upload(world, text.replace("99999", "30000").encode())
    work()
    corrected.refresh_from_db()
    assert (corrected.check_result["stored"], corrected.check_result["refused"]) == (1, 0)
    commit(world, corrected)
    work()
    assert Calibration.objects.get().note == "=1+1"


def test_a_commit_names_the_content_that_was_checked(world):
    run = upload(world, mixed())
    with pytest.raises(Conflict):
        commit(world, run)  # not checked yet
    work()
    with pytest.raises(Conflict) as refusal:
        commit(world, run, "0" * 64)
    assert refusal.value.problems[0].field == "sha256"
    commit(world, run)
    keeping.path_of(run.sha256).write_bytes(as_csv(record("other")))
    work()
    run.refresh_from_db()
    assert (run.status, run.reason) == (Status.FAILED, working.GONE)
    assert not Calibration.objects.exists()


def test_a_commit_is_judged_against_the_register_of_then(world):
    run = upload(world, record("good") + record("second", points=((0, 20000), (80, 28000))))
    work()
    run.refresh_from_db()
    assert run.check_result["stored"] == 2
    load(world, record("good", points=((0, 20000), (100, 31000))))  # somebody else meanwhile
    commit(world, run)
    work()
    run.refresh_from_db()
    assert (run.commit_result["stored"], run.commit_result["refused"]) == (1, 1)
    assert [(line.row, line.column) for line in rows(run, "commit", "refused")] == [
        (2, "record_id"),
        (3, ""),
    ]
    assert receiving.refused_file(run, "commit").read_text().count("good,") == 2


def test_a_file_that_cannot_be_read_fails_with_the_place(world):
    run = upload(world, as_csv(record()).replace(b"lot,", b"batch,"))
    work()
    run.refresh_from_db()
    assert run.status == Status.FAILED
    assert "column" in run.reason
    assert "batch" in run.reason
    assert "lot" in run.reason
    with pytest.raises(Conflict):
        commit(world, run)


def test_a_workbook_is_checked_too(world):
    run = upload(world, as_xlsx(mixed()))
    work()
    run.refresh_from_db()
    assert (run.check_result["stored"], run.check_result["refused"]) == (2, 1)


def test_too_long_a_file_leaves_nothing(world, settings):
    settings.IMPORT_LARGEST = 150
    with pytest.raises(receiving.TooLong, match="150 bytes"):
        receiving.keep([b"x" * 100, b"x" * 100])
    assert list(settings.IMPORT_FOLDER.iterdir()) == []
    with pytest.raises(Invalid):
        upload(world, b"")
    assert not ImportRun.objects.exists()


def test_only_who_may_load_files_does(world):
    kept = receiving.keep([as_csv(mixed())])
    for who in ("techA", "managerB", "reviewer"):
        with pytest.raises(Forbidden):
            receiving.receive(
                kept, name="x", dealer=world.dealers["A"], scope=world.scopes[who], now=NOW
            )
    run = upload(world, mixed())
    work()
    commit(world, run)
    Membership.objects.filter(user=world.users["managerA"]).delete()  # who left meanwhile
    work()
    run.refresh_from_db()
    assert run.status == Status.FAILED
    assert not Calibration.objects.exists()


# ── Cancelling and leases ─────────────────────────────────────────────────────
def test_cancelled_while_it_is_checked_the_worker_stops(world, monkeypatch):
    run = upload(world, mixed())
    kept = working.outcomes.store

    def cancelled_now(*args):
        receiving.cancel(run, scope=world.scopes["managerA"])
        kept(*args)

    monkeypatch.setattr(working.outcomes, "store", cancelled_now)
    assert work() == []
    run.refresh_from_db()
    assert run.status == Status.CANCELLED
    with pytest.raises(Conflict):
        commit(world, run)
    receiving.cancel(run, scope=world.scopes["managerA"])  # a second time changes nothing


def test_what_is_stored_cannot_be_cancelled(world):
    run = upload(world, mixed())
    work()
    commit(world, run)
    for _ in range(2):
        with pytest.raises(Conflict):
            receiving.cancel(run, scope=world.scopes["managerA"])
        work()


def test_a_file_is_one_worker_s_until_its_lease_ends(world, settings):
    run = upload(world, mixed())
    first = leasing.claim(worker="one", now=NOW)
    assert first is not None
    assert leasing.claim(worker="two", now=NOW + settings.IMPORT_LEASE / 2) is None
    second = leasing.claim(worker="two", now=NOW + 2 * settings.IMPORT_LEASE)
    assert second is not None
    assert (second.pk, second.attempt) == (run.pk, 2)
    with pytest.raises(leasing.LeaseLost):
        leasing.extend(first, now=NOW, done=1)
    leasing.extend(second, now=NOW, done=1)


def test_after_three_attempts_without_an_end_it_is_given_up(world, settings):
    run = upload(world, mixed())
    late = NOW
    for _ in range(3):
        assert leasing.claim(worker="dies", now=late) is not None
        late += 2 * settings.IMPORT_LEASE
    work(late)
    run.refresh_from_db()
    assert run.status == Status.FAILED
    assert "3 attempts" in run.reason


# ── Trying apart what hangs together ──────────────────────────────────────────
def test_a_check_in_small_batches_says_what_the_commit_then_does(world, monkeypatch):
    monkeypatch.setattr("calibration.importing.apart.CHUNK", 1)
    monkeypatch.setattr("calibration.importing.register.CHUNK", 1)
    spring = {"performed_at": "2025-03-10T09:00:00+01:00"}
    moved = {"machine": "M-A2", "customer": "Farm A2", "position": "row 5"}
    content = [
        *record("a", **spring),
        # The sensor moves to another machine, and a new one takes its place there.
        *record("b", **moved),
        *new_sensor("c", "S-NEW", machine="M-A1", customer="Farm A1", position="row 1",
                    performed_at="2026-03-20T09:00:00+01:00"),
        *new_sensor("d", "S-NEWER", machine="M-NEW2", position="row 1"),
        *new_sensor("e", "S-NEWEST"),
        *record("f", supersedes="a", supersede_reason="typed wrongly",
                points=((0, 20000), (90, 29000)), **spring),
        *record("g", points=((0, 20000), (100, 99999))),
    ]  # fmt: skip
    run = upload(world, content)
    work()
    before = (Customer.objects.count(), Sensor.objects.count(), Installation.objects.count())
    commit(world, run)
    work()
    run.refresh_from_db()
    after = (Customer.objects.count(), Sensor.objects.count(), Installation.objects.count())
    checked, stored = run.check_result, run.commit_result
    for found in (checked, stored):  # by time when stored, by what hangs together when checked
        found["names"] = {kind: sorted(names) for kind, names in found["names"].items()}
    assert checked == stored
    made = stored["created"]
    assert after[0] - before[0] == made["customers"] == 1  # once, though two batches bring it
    assert after[1] - before[1] == made["sensors"]
    assert after[2] - before[2] == made["installations"]
    assert Calibration.objects.count() == stored["stored"] >= 5


# ── Keeping ───────────────────────────────────────────────────────────────────
def test_old_files_go_and_those_that_are_needed_stay(world, settings):
    waiting = upload(world, mixed())
    other = receiving.keep([b"old"])
    now = NOW + timedelta(days=100000)
    assert receiving.remove_old(now=now) == 1
    assert keeping.path_of(waiting.sha256).exists()
    assert not keeping.path_of(other.sha256).exists()
    work()
    assert receiving.remove_old(now=now) == 2  # the file, and its refused rows
    commit(world, waiting)
    work()
    waiting.refresh_from_db()
    assert (waiting.status, waiting.reason) == (Status.FAILED, working.GONE)


def test_the_folder_is_for_us_alone(world, settings):
    upload(world, mixed())
    assert settings.IMPORT_FOLDER.stat().st_mode & 0o077 == 0
    assert all(file.stat().st_mode & 0o077 == 0 for file in settings.IMPORT_FOLDER.iterdir())
