"""Of a sensor that changed, the rows are written that are not what is stored, and no others."""

import pytest
from django.db.models import F

from calibration import columns, policies, records
from calibration.models import Calibration, Fit, Judgement, PackedHistory
from calibration.scan import run_scan
from tests.calibration.lives import grow
from tests.calibration.test_scan import rows
from tests.conftest import NOW


@pytest.fixture
def sent(monkeypatch):
    """Count the fits and judgements that are sent to the database, by model."""
    counted = {Fit: 0, Judgement: 0}
    original = columns.upsert

    def upsert(model, incoming, **asked):
        if model in counted:
            counted[model] += len(incoming)
        return original(model, incoming, **asked)

    monkeypatch.setattr(columns, "upsert", upsert)
    return counted


@pytest.fixture
def judged(world):
    """Three seasons of a sensor, judged and at rest."""
    for year in (2022, 2023, 2024):
        world.season("A1", year)
    run_scan(full=True, now=NOW)
    return world


def pack(world):
    return PackedHistory.objects.get(sensor=world.sensors["A1"])


def test_a_new_record_sends_its_own_rows_alone(judged, sent):
    judged.season("A1", 2025)
    assert sent == {Fit: 1, Judgement: 1}
    assert len(bytes(pack(judged).digests)) == 4 * 16


def test_one_that_comes_late_sends_those_after_it_too(judged, sent):
    before = dict(Judgement.objects.values_list("pk", "previous"))
    judged.season("A1", 2021)
    after = Judgement.objects.order_by("performed_at").values_list("pk", "previous")
    changed = [pk for pk, previous in after if (pk, previous) not in before.items()]
    assert len(changed) > 1
    assert len(changed) <= sent[Judgement] <= 4
    run_scan(full=True, now=NOW)  # nothing was left out
    assert sent[Judgement] <= 4


def test_a_superseded_one_loses_its_judgement(judged, sent):
    first = Calibration.objects.order_by("performed_at").first()
    judged.season("A1", 2022, supersedes=first, supersede_reason="typed wrongly")
    assert not Judgement.objects.filter(pk=first.pk).exists()
    assert Fit.objects.filter(pk=first.pk).exists()


def test_a_rewritten_pack_without_its_records_keeps_what_was_judged(judged, sent):
    sensor, before = judged.sensors["A1"].pk, pack(judged)
    policies.mark_anew([sensor], why="test", now=NOW)
    forgotten = pack(judged)
    assert (forgotten.calibrations, bytes(forgotten.heads)) == (0, b"")
    assert bytes(forgotten.digests) == bytes(before.digests)
    run_scan(now=NOW)
    assert sent == {Fit: 0, Judgement: 0}
    assert bytes(pack(judged).heads) == bytes(before.heads)
    assert pack(judged).outcome == before.outcome


@pytest.mark.parametrize("full", [True, False])
def test_digests_that_do_not_come_to_the_outcome_are_not_believed(world, sent, full):
    grow(world, 3)
    run_scan(full=True, now=NOW)
    before = rows()
    Judgement.objects.update(worst_error_pct=77.0, verdict="watch")
    PackedHistory.objects.update(outcome=F("outcome") + 1)
    policies.mark_stale(PackedHistory.objects.values_list("pk", flat=True), why="t", now=NOW)
    run_scan(full=full, now=NOW)
    assert rows() == before


def test_digests_of_other_methods_are_not_believed(judged, sent, monkeypatch):
    monkeypatch.setattr("calibration.fingerprint.METHOD", "another")
    records.judge_sealed([judged.sensors["A1"].pk], now=NOW)
    assert sent == {Fit: 3, Judgement: 3}


@pytest.mark.parametrize("scanned", [True, False])
def test_those_of_an_earlier_release_are_not_believed(judged, sent, scanned):
    before = bytes(pack(judged).digests)
    PackedHistory.objects.update(digests=before[: 3 * 8], outcome=4711)  # eight bytes each
    if scanned:
        run_scan(full=True, now=NOW)
        assert bytes(pack(judged).digests) == before
        return
    judged.season("A1", 2025)
    assert sent == {Fit: 4, Judgement: 4}
    assert len(bytes(pack(judged).digests)) == 4 * 16


def test_those_stored_before_there_were_any_are_written_once(judged, sent):
    PackedHistory.objects.update(digests=b"")
    judged.season("A1", 2025)
    assert sent == {Fit: 4, Judgement: 4}
    judged.season("A1", 2026)
    assert sent == {Fit: 5, Judgement: 5}
