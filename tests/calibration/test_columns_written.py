"""Columns into the database: what differs is written, and nothing else."""

import json
from datetime import timedelta

import numpy as np
import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from calibration import columns
from calibration.columns import NO_DATE, NO_MOMENT, Incoming, writing
from calibration.models import Judgement, PackedHistory, SensorModelNoise, StaleSensor
from tests.calibration.judged_rows import EPOCH, incoming, judgements, stored, values_of


@pytest.fixture(autouse=True, params=["few", "many"])
def _both_ways(request, monkeypatch):
    """Send rows as parameters, as few are, and by COPY, as many are."""
    if request.param == "many":
        monkeypatch.setattr(writing, "_FEW", 0)


def test_what_the_orm_wrote_does_not_differ_from_what_was_read(db):
    """So texts of moments are the same to the letter, where the database keeps texts."""
    Judgement.objects.bulk_create(judgements())
    values = values_of(Judgement.objects.all())
    causes = [json.dumps(row.causes) for row in judgements()]
    assert columns.upsert(Judgement, incoming(values, causes)) == 0


def test_rows_are_inserted_as_the_orm_would(db):
    Judgement.objects.bulk_create(judgements())
    rows, values = stored(Judgement.objects.all()), values_of(Judgement.objects.all())
    Judgement.objects.all().delete()
    causes = ["[]"] * 5 + ['[{"code": "ü"}]']
    assert columns.upsert(Judgement, incoming(values, causes)) == 6
    assert stored(Judgement.objects.all()) == rows
    assert Judgement.objects.order_by("pk").last().causes == [{"code": "ü"}]
    assert set(Judgement.objects.order_by("pk").values_list("method", flat=True)) == {"by hand"}
    assert columns.upsert(Judgement, incoming(values, causes)) == 0


def test_only_rows_that_differ_are_updated(db):
    Judgement.objects.bulk_create(judgements())
    values, causes = values_of(Judgement.objects.all()), ["[]"] * 6
    assert columns.upsert(Judgement, incoming(values, causes)) == 1  # the one that had causes
    step, trusted = values["step"].copy(), values["trusted"].copy()
    step[1], trusted[1], trusted[3] = np.nan, True, True
    previous, reference = values["previous"].copy(), values["reference"].copy()
    previous[1], reference[2] = np.zeros(1, dtype="V16")[0], -1
    changes = {"step": step, "trusted": trusted, "previous": previous, "reference": reference}
    assert columns.upsert(Judgement, incoming(values, causes, **changes)) == 3
    assert columns.upsert(Judgement, incoming(values, causes, **changes)) == 0
    first, second = Judgement.objects.order_by("pk")[1:3]
    assert (first.step, first.trusted, first.previous_id) == (None, True, None)
    assert second.reference_id is None


def test_what_is_missing_becomes_null_and_is_read_as_missing_again(db):
    Judgement.objects.bulk_create(judgements())
    values = values_of(Judgement.objects.all())
    nothing = {
        "reference": np.full(6, -1),
        "previous": np.zeros(6, dtype="V16"),
        "step": np.full(6, np.nan),
        "expected_crossing": np.full(6, NO_DATE),
    }
    columns.upsert(Judgement, incoming(values, ["[]"] * 6, **nothing))
    for name in nothing:
        assert Judgement.objects.filter(**{f"{name}__isnull": True}).count() == 6
    again = values_of(Judgement.objects.all())
    for name, column in nothing.items():
        assert again[name].tobytes() == column.astype(again[name].dtype).tobytes()


def test_a_moment_may_be_missing(world):
    noise = dict.fromkeys(("walk_slope", "walk_zero", "extra_slope", "extra_zero"), "real")
    kinds = {"sensor_model": "key", "learnt_at": "moment", "estimated": "flag"} | noise
    kinds |= {"calibrations": "key", "steps": "key"}
    values = dict.fromkeys(kinds, np.ones(1)) | {"sensor_model": np.array([world.sensor_model.pk])}
    for moment, learnt_at in ((NO_MOMENT, None), (1, EPOCH + timedelta(microseconds=1))):
        rows = Incoming(
            kinds, values | {"learnt_at": np.array([moment])}, constants={"method": ""}
        )
        assert columns.upsert(SensorModelNoise, rows) == 1
        assert SensorModelNoise.objects.get().learnt_at == learnt_at


def test_a_code_that_is_missing_is_no_text_at_all(db):
    Judgement.objects.bulk_create(judgements())
    values = values_of(Judgement.objects.all())
    rows = incoming(values, ["[]"] * 6, verdict=np.full(6, -1))
    with pytest.raises(IntegrityError), transaction.atomic():  # NULL, where none may be
        columns.upsert(Judgement, rows)


def test_bytes_are_kept_as_they_are(world):
    kinds = dict.fromkeys(("sensor", "company", "calibrations", "outcome"), "key")
    keys = np.array([world.sensors["A1"].pk, world.sensors["A2"].pk])
    values = dict.fromkeys(kinds, keys) | {"outcome": np.array([2**63 - 1, -(2**63)])}
    blobs = {"heads": [b"\x00\xff\\x", b""], "points": [b"", b"'%s"]}
    assert columns.upsert(PackedHistory, Incoming(kinds, values, blobs)) == 2
    assert columns.upsert(PackedHistory, Incoming(kinds, values, blobs)) == 0
    blobs["points"] = [b"", b"other"]
    assert columns.upsert(PackedHistory, Incoming(kinds, values, blobs)) == 1
    found = [
        (row.outcome, bytes(row.heads), bytes(row.points))
        for row in PackedHistory.objects.order_by("pk")
    ]
    assert found == [(2**63 - 1, b"\x00\xff\\x", b""), (-(2**63), b"", b"other")]


def test_nothing_is_written_without_a_query_and_what_is_written_can_be_logged(world):
    kinds = {"sensor": "key", "since": "moment"}
    why = {"why": 'it\'s 100 % "new"'}
    with CaptureQueriesContext(connection) as captured:
        none = {"sensor": np.zeros(0), "since": np.zeros(0)}
        assert columns.upsert(StaleSensor, Incoming(kinds, none, constants=why)) == 0
    assert len(captured) == 0
    one = {"sensor": np.array([world.sensors["A1"].pk]), "since": np.array([-1])}
    with CaptureQueriesContext(connection) as captured:
        assert columns.upsert(StaleSensor, Incoming(kinds, one, constants=why)) == 1
        assert columns.upsert(StaleSensor, Incoming(kinds, one, constants=why)) == 0
    assert len(captured) > 0
    assert StaleSensor.objects.get().why == why["why"]
    assert StaleSensor.objects.get().since == EPOCH - timedelta(microseconds=1)
