"""Two workers at one scan, on PostgreSQL: they share it, and their rows are those of one alone."""

import threading
from collections import Counter

import pytest
from django.db import connection

from calibration import policies, records, scan, stages
from calibration import together as parts
from calibration.models import (
    DriftFlag,
    DueState,
    Fit,
    Judgement,
    PackedHistory,
    ScanRun,
    StaleSensor,
)
from calibration.records import PointDraft
from calibration.scan import run_scan
from tests.conftest import NOW, build_world
from tests.side_by_side import together

pytestmark = [
    pytest.mark.postgresql,
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer"),
]
NAMES = [f"A{number}" for number in range(3, 11)] + [f"B{number}" for number in range(3, 11)]


@pytest.fixture
def world(monkeypatch):
    """Two dealers' sensors, each dealer's calibrated on one day with one reference."""
    monkeypatch.setattr(stages, "MARKED_SENSORS", 4)
    monkeypatch.setattr(parts, "BATCH", 2)
    world = build_world()
    for number, name in enumerate(NAMES):
        world.add_sensor(name)
        reference = world.references[name[0]]
        for year in (2024, 2025, 2026):
            span = 10_000 + 300 * (year == 2026) * (number % 3)
            points = (PointDraft(0, 20_000), PointDraft(100, 20_000 + span))
            world.season(name, year, reference=reference, points=points)
    return world


def rows():
    """Return all derived rows; when a flag was opened depends on the scan."""
    found = {
        model.__name__: sorted(map(str, model.objects.values_list()))
        for model in (Fit, Judgement, DueState)
    }
    names = ("calibration_id", "sensor_id", "kind", "level", "magnitude", "p_out", "causes")
    return found | {"flags": sorted(map(str, DriftFlag.objects.values_list(*names)))}


def forget():
    for model in (Fit, Judgement, PackedHistory, DueState, DriftFlag, StaleSensor):
        model.objects.all().delete()


def test_two_make_the_rows_of_one_alone(world):
    forget()
    run_scan(full=True, now=NOW)
    alone = rows()
    assert alone["flags"]
    forget()
    together(*[lambda: run_scan(full=True, now=NOW)] * 2)
    assert rows() == alone
    runs = list(ScanRun.objects.order_by("pk"))
    assert len(runs) == 2
    assert (runs[0].judged, runs[0].flags_opened) == (runs[1].judged, runs[1].flags_opened)


def test_two_judge_each_sensor_once(world, monkeypatch):
    run_scan(now=NOW)
    policies.mark_stale([sensor.pk for sensor in world.sensors.values()], why="test", now=NOW)
    by, met = Counter(), threading.Barrier(2)
    judged, original = Counter(), records.judge_sealed

    def judge_sealed(sensor_ids, *, now, **asked):
        who = threading.get_ident()
        if not by[who]:
            met.wait(60)  # each has a chunk before either goes on
        by[who] += 1
        judged.update(sensor_ids)
        return original(sensor_ids, now=now, **asked)

    monkeypatch.setattr(records, "judge_sealed", judge_sealed)
    together(*[lambda: run_scan(now=NOW)] * 2)
    assert judged == Counter(sensor.pk for sensor in world.sensors.values())
    assert len(by) == 2
    assert ScanRun.objects.count() == 2
    assert not StaleSensor.objects.exists()


def test_two_that_mark_one_anothers_sensors_both_come_through(world, monkeypatch):
    """Each waits for the mark that the other took: the database ends one, which tries again."""
    run_scan(now=NOW)
    first, second = world.sensors["A3"].pk, world.sensors["B10"].pk
    policies.mark_stale([first, second], why="test", now=NOW)
    monkeypatch.setattr(stages, "MARKED_SENSORS", 1)
    met, tries, original = threading.Barrier(2), Counter(), records.judge_sealed

    def judge_sealed(sensor_ids, *, now, **asked):
        (pk,) = sensor_ids
        tries[pk] += 1
        judged = original(sensor_ids, now=now, **asked)
        if tries[pk] == 1:
            met.wait(60)
            policies.mark_stale([second if pk == first else first], why="test", now=now)
        return judged

    monkeypatch.setattr(records, "judge_sealed", judge_sealed)
    together(*[lambda: run_scan(now=NOW)] * 2)
    run = ScanRun.objects.latest("pk")
    assert run.failed == []
    assert sorted(tries.values()) == [1, 2]
    assert not StaleSensor.objects.exists()


def test_two_that_start_at_once_start_one(world):
    started, met = [], threading.Barrier(2)

    def start():
        met.wait(60)
        started.append(scan.start(full=True, now=NOW).pk)

    together(start, start)
    assert len(set(started)) == 1
    assert ScanRun.objects.get(full=True).chunks.count() == 1
