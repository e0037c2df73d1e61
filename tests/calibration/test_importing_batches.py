"""A file in batches: the same rows, reasons and counts as record by record; marks; what breaks."""

import pytest
from django.db import IntegrityError, transaction

from calibration import digests, records, verifying
from calibration.importing import batching, loading, register, storing
from calibration.models import Calibration, Judgement, StaleSensor
from fleet.errors import Malformed
from fleet.models import Installation, Sensor
from tests.calibration.record_files import load, new_sensor, reasons, record
from tests.conftest import NOW


@pytest.fixture(autouse=True)
def _one_salt():
    """Salts are random; here the same content is to have the same digest."""
    with pytest.MonkeyPatch.context() as patch:  # its own: a test undoes the others
        patch.setattr(digests, "new_salt", lambda: "5a" * 16)
        yield


def mixed():
    """Return a file of new rows, moves, replacements, corrections and refusals."""
    there = {"customer": "Farm A1", "machine": "M-A1", "position": "row 8"}
    bench = {"customer": "", "machine": "", "machine_model": "", "position": ""}
    return [
        *record("first", performed_at="2024-03-01T09:00"),
        *new_sensor("n1", "N1", performed_at="2024-03-02T09:00"),
        *new_sensor("n2", "N2", position="row 4", performed_at="2024-03-02T10:00"),
        *new_sensor("taken", "N3", position="row 4", performed_at="2024-03-03T10:00"),
        *new_sensor("bad", "N4", position="row 5", points=[(0, 1)], customer="Farm other"),
        *new_sensor("tag", "N5", position="row 6", tag_zero_reading=1, tag_span_reading=2,
                    tag_span_load=-1, tag_load_unit="daN"),
        *new_sensor("again", "n1", performed_at="2025-03-02T09:00"),
        *record("move", position="row 4", performed_at="2025-02-01T10:00"),
        *record("back", performed_at="2024-04-01T10:00"),
        *new_sensor("swap", "N6", reason="replacement", performed_at="2025-06-01", **there),
        *record("wrong", sensor="S-A2", machine="M-A2", customer="Farm A2"),
        *record("right", sensor="S-A2", machine="M-A2", customer="Farm A2", supersedes="wrong",
                supersede_reason="misread"),
        *record("late", sensor="S-A2", machine="M-A2", customer="Farm A2", supersedes="wrong",
                supersede_reason="misread again"),
        *new_sensor("bench", "N7", **bench),
        *new_sensor("foreign", "S-B1", machine="M-B1"),
        *record("future", performed_at="2027-01-01"),
        *record("unit", load_unit="stone", sensor="S-A1b", position="row 8"),
        *new_sensor("moved in", "N7", performed_at="2026-03-20"),
        *new_sensor("customer", "N8", machine="M-8", customer="FARM NEW", position="row 1"),
    ]  # fmt: skip


def outcome_of(world, rows):
    """Load a file and return what came of it, keys of the database and all; nothing stays."""
    with transaction.atomic():
        result = load(world, rows)
        places = [
            (str(row), row.installed_on, row.removed_on, row.start_is_inferred)
            for row in Installation.objects.order_by("sensor__serial", "installed_on", "pk")
        ]
        sealed = list(
            Calibration.objects.order_by("pk").values_list(
                "pk", "sensor_serial", "machine_serial", "position", "chain_number", "digest"
            )
        )
        verdicts = list(
            Judgement.objects.order_by("pk").values_list("pk", "verdict", "slope_change_pct")
        )
        assert not list(verifying.verify(now=NOW))
        transaction.set_rollback(True)
    return result.to_dict(), places, sealed, verdicts


def test_batches_do_what_records_do_one_by_one(world, monkeypatch):
    rows = mixed()
    together = outcome_of(world, rows)
    assert (together[0]["stored"], together[0]["refused"]) == (11, 8)
    monkeypatch.setattr(batching.Batch, "_planned", _never_planned)
    assert outcome_of(world, rows) == together
    monkeypatch.undo()
    for size in (1, 2, 5):
        monkeypatch.setattr(register, "CHUNK", size)
        assert outcome_of(world, rows) == together


def _never_planned(self, record):
    existing = self.existing.get(record.key)
    if existing:
        registering = batching.Registering(self.register, record, clerk=self._clerk)
        return storing.compare(registering, existing, self.caller.now)
    raise batching.NotPlain


@pytest.mark.parametrize("broken", ["enrol", "seal_locked"])
def test_what_cannot_be_entered_together_is_entered_one_by_one(world, monkeypatch, broken):
    rows = mixed()
    together = outcome_of(world, rows)

    def clash(*_, **__):
        raise IntegrityError("somebody else was faster")

    monkeypatch.setattr(batching, broken, clash)
    assert outcome_of(world, rows) == together


def test_rows_that_somebody_else_enters_meanwhile_are_found(world, monkeypatch):
    rows = [*record(), *new_sensor("x", "4063"), *new_sensor("y", "4064", position="row 5")]
    theirs = []

    def meanwhile(records):
        if not theirs:
            theirs.append(None)
            theirs.append(load(world, rows[2:]))
        return {}  # read before they came

    monkeypatch.setattr(loading, "_existing", meanwhile)
    ours = load(world, rows)
    assert (theirs[1].stored, theirs[1].refused) == (2, 0)
    assert (ours.stored, ours.already_there, ours.refused) == (1, 2, 0)
    assert Sensor.objects.filter(serial__startswith="40").count() == 2
    assert not list(verifying.verify(now=NOW))


def test_a_plain_file_is_not_stored_record_by_record(world, monkeypatch):
    def alone(*_):
        raise AssertionError("stored by itself")

    monkeypatch.setattr(batching, "store_alone", alone)
    rows = [
        *record(), *new_sensor("x", "4063"), *new_sensor("y", "4064", position="row 5"),
        *record("bad", load_unit="stone"), *new_sensor("z", "4063", performed_at="2026-04-01"),
    ]  # fmt: skip
    result = load(world, rows)
    assert (result.stored, result.refused) == (4, 1)
    assert load(world, rows).already_there == 4


def test_texts_that_copy_would_take_for_its_own_are_stored_as_they_are(world):
    strange = 'a\\N\tb\\\r\n\\.\r\n"c"'
    load(world, record(note=strange, technician="\\N"))
    assert Calibration.objects.values_list("note", "technician").get() == (strange, "\\N")


# ── Judging at the end ───────────────────────────────────────────────────────


def test_each_sensor_is_judged_once(world, monkeypatch):
    monkeypatch.setattr(register, "CHUNK", 1)
    judged = []
    original = records.judge_sealed
    monkeypatch.setattr(
        records, "judge_sealed", lambda ids, **asked: judged.extend(ids) or original(ids, **asked)
    )
    rows = [
        row
        for year in range(2021, 2026)
        for row in record(str(year), performed_at=f"{year}-03-01")
    ]
    assert load(world, rows).stored == 5
    assert judged == [world.sensors["A1"].pk]
    assert Judgement.objects.count() == 5


def test_judging_is_told_to_the_end(world):
    seen = []
    load(world, [*record(), *new_sensor("x", "4063")], judged=lambda *at: seen.append(at))
    assert seen == [(2, 2)]


def test_what_is_stored_when_a_file_is_given_up_is_judged(world, monkeypatch):
    from calibration.importing import reasons as why

    monkeypatch.setattr(register, "CHUNK", 1)
    bad = [row for at in range(3) for row in record(f"bad {at}", points=[(0, 1)])]
    rows = [*record("good", performed_at="2025-03-01"), *bad]
    monkeypatch.setattr(why, "MAX_REASONS", 2)
    with pytest.raises(Malformed, match="More than 2 reasons"):
        load(world, rows)
    assert Judgement.objects.get().calibration.performed_at.year == 2025


def test_a_dry_run_judges_nothing(world, monkeypatch):
    monkeypatch.setattr(loading, "judge_marked", lambda *_, **__: pytest.fail("judged"))
    assert load(world, record(), dry_run=True).stored == 1


def test_a_sensor_that_cannot_be_judged_is_told_and_stays_marked(world, monkeypatch):
    bad, original = world.sensors["A2"].pk, records.judge_sealed

    def judge(ids, *, now, **asked):
        if bad in ids:
            raise ValueError("no line")
        return original(ids, now=now, **asked)

    monkeypatch.setattr(records, "judge_sealed", judge)
    rows = [*record(), *record("two", sensor="S-A2", machine="M-A2", customer="Farm A2")]
    result = load(world, rows)
    assert (result.stored, result.unjudged) == (2, ["S-A2: no line"])
    assert result.to_dict()["unjudged"] == result.unjudged
    assert list(StaleSensor.objects.values_list("sensor_id", flat=True)) == [bad]
    assert Judgement.objects.count() == 1
    monkeypatch.undo()
    again = load(world, rows)
    assert (again.already_there, again.unjudged) == (2, [])
    assert Judgement.objects.count() == 2
    assert not StaleSensor.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_what_a_load_left_unjudged_is_judged_by_the_next(world, monkeypatch):
    def broken_off(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(loading, "judge_marked", broken_off)
    rows = [*record(), *new_sensor("x", "4063")]
    with pytest.raises(KeyboardInterrupt):
        load(world, rows)
    monkeypatch.undo()
    assert (Calibration.objects.count(), Judgement.objects.count()) == (2, 0)
    assert StaleSensor.objects.count() == 2
    other = Sensor.objects.get(serial="S-B1")
    StaleSensor.objects.create(sensor=other, since=NOW, why="something else")
    assert load(world, rows).already_there == 2
    assert Judgement.objects.count() == 2
    assert StaleSensor.objects.get().sensor == other  # the scan's, not the file's


def test_reasons_are_those_of_the_rows(world):
    (why,) = reasons(load(world, new_sensor("tag", "N5", tag_zero_reading=1, tag_span_reading=2,
                                            tag_span_load=-1, tag_load_unit="daN")))  # fmt: skip
    assert "A tag has a zero reading, a span reading, a span load above zero" in why


def test_a_sensor_that_was_judged_before_is_judged_with_what_the_file_adds(world):
    world.season("A1", 2024)
    assert load(world, record(performed_at="2025-03-01")).stored == 1
    assert Judgement.objects.filter(sensor=world.sensors["A1"]).count() == 2
