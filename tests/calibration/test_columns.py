"""Columns out of the database: every value as Django's own reading gives it."""

import uuid
from datetime import timedelta

import numpy as np
import pytest
from django.db import connection
from django.db.models import Case, Value, When
from django.db.models.fields import BinaryField, CharField
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from calibration import columns
from calibration.columns import NO_MOMENT, among, around, read, read_in_parts, texts
from calibration.models import Judgement, ScanRun
from fleet.models import Sensor
from tests.calibration.judged_rows import EPOCH, KINDS, VERDICTS, as_read, judgements, values_of
from tests.conftest import NOW


def test_every_kind_is_read_as_the_orm_reads_it(db):
    Judgement.objects.bulk_create(judgements())
    found = values_of(Judgement.objects.all())
    plain = [
        tuple(None if str(value) == "nan" else value for value in row)
        for row in zip(*(values.tolist() for values in found.values()), strict=True)
    ]
    assert plain == list(as_read(Judgement.objects.all()))
    assert {name: values.dtype.str for name, values in found.items()} == {
        name: {
            "key": "<i8", "moment": "<i8", "date": "<i4", "real": "<f8", "flag": "|b1",
            "uuid": "|V16", VERDICTS: "<i2",
        }[kind]
        for name, kind in KINDS.items()
    }  # fmt: skip


def test_a_moment_or_code_that_is_missing_is_read_as_such(world):
    ScanRun.objects.create(started_at=NOW)
    ScanRun.objects.create(started_at=NOW, finished_at=NOW, full=True)
    rows = ScanRun.objects.order_by("pk").annotate(nothing=Value(None, CharField()))
    found = read(
        rows.values_list("finished_at", "nothing", "full"),
        finished_at="moment", nothing=("a", "b"), full="flag",
    )  # fmt: skip
    assert found["finished_at"].tolist() == [
        NO_MOMENT,
        (NOW - EPOCH) // timedelta(microseconds=1),
    ]
    assert found["nothing"].tolist() == [-1, -1]
    assert found["full"].tolist() == [False, True]


def test_a_text_that_no_code_stands_for_is_missing(db):
    Judgement.objects.bulk_create(judgements())
    rows = Judgement.objects.order_by("pk").values_list("verdict")
    assert read(rows, verdict=("beyond", "within"))["verdict"].tolist() == [1, -1, 0, 1, -1, 0]


@pytest.mark.parametrize("rows", [Judgement.objects.none, Judgement.objects.all])
def test_nothing_is_read_as_empty_columns(db, rows):
    found = values_of(rows())
    full = read(Judgement.objects.values_list(*KINDS), **KINDS)
    assert {name: (len(values), values.dtype) for name, values in found.items()} == {
        name: (0, values.dtype) for name, values in full.items()
    }


def test_the_order_of_the_query_is_kept(db):
    Judgement.objects.bulk_create(judgements())
    for order in ("sensor_id", "-sensor_id", "-performed_at"):
        rows = Judgement.objects.order_by(order).values_list("sensor_id")
        assert read(rows, sensor="key")["sensor"].tolist() == [key for (key,) in rows]


def test_reading_is_one_query_and_one_that_is_logged(db):
    Judgement.objects.bulk_create(judgements())
    with CaptureQueriesContext(
        connection,
    ) as captured:
        found = read(
            Judgement.objects.filter(sensor__gt=7).order_by().values_list("pk"), pk="uuid"
        )
    assert len(found["pk"]) == 3
    assert len(captured) == 1


def test_in_parts_each_row_is_whole(world):
    said = {
        pk: bytes([place, 255, 0])
        for place, pk in enumerate(Sensor.objects.values_list("pk", flat=True))
    }
    told = Case(*(When(pk=pk, then=Value(text, BinaryField())) for pk, text in said.items()))
    rows = Sensor.objects.order_by().annotate(told=told).values_list("lot", "dealer", "pk", "told")
    for names in (("L1", "L2"), ("no",)):
        for place, pk in enumerate(said):
            Sensor.objects.filter(pk=pk).update(lot=names[place % len(names)])
        found = read_in_parts(rows, "lot", lot=names, dealer="key", pk="key", told="bytes")
        told_of = [bytes(each) for each in found["told"].reshape(-1, 3)]
        each = list(zip(found["pk"].tolist(), told_of, found["lot"].tolist(), strict=True))
        assert sorted(each) == [
            (pk, text, place % len(names)) for place, (pk, text) in enumerate(said.items())
        ]
    nothing = read_in_parts(
        rows.filter(pk=-1), "lot", lot=names, dealer="key", pk="key", told="bytes"
    )
    assert {name: (len(values), values.dtype) for name, values in nothing.items()} == {
        name: (0, values.dtype) for name, values in found.items()
    }


def test_texts_and_bytes_are_read_in_order(world):
    for serial, lot in (("S-A1", "ä b"), ("S-A2", ""), ("S-B1", "L,9")):
        Sensor.objects.filter(serial=serial).update(lot=lot)
    rows = Sensor.objects.order_by("-serial").values_list("lot")
    assert texts(rows).tolist() == [lot for (lot,) in rows]
    assert texts(rows.filter(pk=-1)).tolist() == []
    assert texts(rows.none()).tolist() == []
    assert texts(rows.filter(serial="S-A2")).tolist() == [""]
    content = Sensor.objects.order_by("-serial").annotate(it=Value(b"\x00\xff\x1f", BinaryField()))
    for rows, expected in (
        (content, b"\x00\xff\x1f" * 8), (content.filter(pk=-1), b""), (content.none(), b"")
    ):  # fmt: skip
        found = read(rows.values_list("pk", "it"), key="key", it="bytes")
        assert found["it"].tobytes() == expected
        assert len(found["key"]) == len(expected) // 3


# ── Conditions on many keys ───────────────────────────────────────────────────


@pytest.mark.parametrize("wanted", [[], [-1], [3, 7, 5], list(range(2000))])
def test_among_finds_these_keys_and_no_others(db, wanted):
    Judgement.objects.bulk_create(judgements())
    for keys in (wanted, np.array(wanted, dtype=np.int64), iter(wanted)):
        rows = Judgement.objects.filter(among("sensor", keys)).order_by()
        there = {10, 9, 8, 7, 6, 5} & set(wanted)
        assert set(rows.values_list("sensor_id", flat=True)) == there
    assert Judgement.objects.exclude(among("sensor", wanted)).count() == 6 - len(there)


def test_around_finds_all_of_these_keys_and_others_only_between_them(db):
    Judgement.objects.bulk_create(judgements())
    for wanted in ([], [5, 6, 8], [5, 10_000], [7]):
        keys = np.array(wanted, dtype=np.int64)
        rows = Judgement.objects.filter(around("sensor", keys)).order_by()
        found = set(rows.values_list("sensor_id", flat=True))
        assert found >= {5, 6, 7, 8, 9, 10} & set(wanted)
        between = range(min(wanted, default=0), max(wanted, default=-1) + 1)
        assert found <= set(between)
    assert set(rows.values_list("sensor_id", flat=True)) == {7}


@given(st.lists(st.integers(-9, 9) | st.integers(-(2**62), 2**62), unique=True), st.data())
def test_keys_are_located_as_in_a_dict(keys, data):
    wanted = data.draw(st.lists(st.integers(-9, 9) | st.sampled_from([*keys, 0])))
    for form in (int, lambda key: uuid.UUID(int=key % 2**128).bytes):
        dtype = np.int64 if form is int else "V16"
        place_of = {form(key): place for place, key in enumerate(keys)}
        place, there = columns.located(
            np.array([form(key) for key in keys], dtype=dtype),
            np.array([form(key) for key in wanted], dtype=dtype),
        )
        assert there.tolist() == [form(key) in place_of for key in wanted]
        assert place[there].tolist() == [
            place_of[form(key)] for key in wanted if form(key) in place_of
        ]
