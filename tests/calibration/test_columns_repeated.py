"""Columns of some keys: of a few and of many the same, as Django's own reading gives them."""

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from calibration import columns
from calibration.columns import repeated
from calibration.models import Judgement
from fleet.models import Sensor
from tests.calibration.judged_rows import KINDS, as_read, judgements

FIELDS = {name: (name, kind) for name, kind in KINDS.items()}


def by_sensor(**options):
    return columns.Reading(lambda: Judgement.objects.order_by("pk"), "sensor", FIELDS, **options)


def found(reading, keys):
    table = reading.of(np.array(keys, dtype=np.int64))
    return [
        tuple(None if str(value) == "nan" else value for value in row)
        for row in zip(*(table[name].tolist() for name in KINDS), strict=True)
    ]


@pytest.fixture
def judged(db):
    Judgement.objects.bulk_create(judgements())


def of_keys(keys):
    return [row for row in as_read(Judgement.objects.all()) if row[1] in keys]


@pytest.mark.parametrize("few", [0, 32])
@pytest.mark.parametrize("keys", [[7], [10, 5, 8], list(range(11))])
def test_a_few_and_many_are_read_as_the_orm_reads_them(judged, monkeypatch, few, keys):
    monkeypatch.setattr(repeated, "_FEW", few)
    assert found(by_sensor(), keys) == of_keys(keys)


@pytest.mark.parametrize("few", [0, 32])
def test_nobody_asked_for_is_empty_columns_of_the_same_kinds(judged, monkeypatch, few):
    whole = by_sensor().of(np.arange(11))
    monkeypatch.setattr(repeated, "_FEW", few - 1)
    for keys in ([], [99]):
        nothing = by_sensor().of(np.array(keys, dtype=np.int64))
        assert {name: (len(each), each.dtype) for name, each in nothing.items()} == {
            name: (0, each.dtype) for name, each in whole.items()
        }


@pytest.mark.parametrize("few", [0, 32])
def test_keys_may_be_uuids(judged, monkeypatch, few):
    monkeypatch.setattr(repeated, "_FEW", few)
    reading = columns.Reading(
        lambda: Judgement.objects.order_by("sensor_id"), "pk", {"sensor": ("sensor_id", "key")},
        uuids=True,
    )  # fmt: skip
    rows = judgements()
    keys = np.array([rows[at].pk.bytes for at in (0, 4)], dtype="V16")
    assert reading.of(keys)["sensor"].tolist() == [6, 10]


@pytest.mark.parametrize("few", [0, 32])
def test_texts_stand_beside_the_rest(world, monkeypatch, few):
    monkeypatch.setattr(repeated, "_FEW", few)
    Sensor.objects.filter(serial="S-A2").update(lot="Ł, 9")
    keys = np.array(sorted(row.pk for row in world.sensors.values()), dtype=np.int64)
    reading = columns.Reading(
        lambda: Sensor.objects.order_by("pk"), "pk",
        {"key": ("pk", "key"), "lot": ("lot", columns.TEXT)}, closely=True,
    )  # fmt: skip
    table = reading.of(keys)
    rows = Sensor.objects.order_by("pk").values_list("pk", "lot")
    assert list(zip(table["key"].tolist(), table["lot"].tolist(), strict=True)) == list(rows)


def test_the_sql_of_a_few_is_made_once(judged):
    made = []

    def rows():
        made.append(1)
        return Judgement.objects.order_by("pk")

    reading = columns.Reading(rows, "sensor", FIELDS)
    with CaptureQueriesContext(connection) as captured:
        assert found(reading, [7]) == of_keys([7])
        assert found(reading, [10, 5]) == of_keys([10, 5])
    assert len(made) == 1
    assert len(captured) == 4  # two of them are the ORM's, for comparing
