"""Chunks of a scan: claimed once, fenced by their attempt, taken over, divided, reported."""

from datetime import timedelta

import numpy as np
import pytest
from django.db import OperationalError

from calibration import (
    claiming,
    comparing,
    judging,
    learning,
    narrowing,
    policies,
    records,
    scan,
    stages,
    together,
    working,
)
from calibration.claiming import Clock, LeaseLost
from calibration.models import Judgement, PackedHistory, ScanChunk, ScanRun, StaleSensor
from calibration.scan import run_scan
from calibration.together import Span, spans
from tests.calibration.deaths import Killed, until_finished
from tests.conftest import NOW

LATER = NOW + timedelta(minutes=11)


def mark(world, *names):
    policies.mark_stale([world.sensors[name].pk for name in names], why="test", now=NOW)


def marked():
    return set(StaleSensor.objects.values_list("sensor__serial", flat=True))


# ── Starting ──────────────────────────────────────────────────────────────────
def test_a_scan_that_is_under_way_is_joined(world):
    first = scan.start(full=True, now=NOW)
    assert scan.start(full=True, now=LATER) == first
    assert scan.start(full=False, now=NOW) != first
    assert ScanChunk.objects.filter(run=first).count() == 1
    run = run_scan(full=True, now=LATER)
    assert (run, run.started_at) == (first, NOW)
    assert run.finished_at >= LATER
    assert scan.start(full=True, now=LATER) != first


def test_a_run_from_before_there_were_chunks_is_finished(world):
    left = ScanRun.objects.create(started_at=NOW - timedelta(days=1), sensors=8)
    assert run_scan(now=NOW) == left
    assert left.chunks.count() == 2


def test_a_night_is_scanned_once(world):
    assert scan.start_unless_made(NOW, now=NOW) is not None
    assert scan.start_unless_made(NOW, now=NOW) is not None  # it is under way
    run_scan(now=NOW)
    assert scan.start_unless_made(NOW, now=NOW) is None
    assert ScanRun.objects.count() == 1


# ── Claiming ──────────────────────────────────────────────────────────────────
def test_a_chunk_is_claimed_once_until_its_lease_has_run_out(world):
    run = scan.start(full=False, now=NOW)
    mine = claiming.claim(run=run, worker="one", now=NOW)
    assert claiming.claim(run=run, worker="two", now=NOW + timedelta(minutes=9)) is None
    claiming.extend(mine, now=NOW + timedelta(minutes=9))
    assert claiming.claim(worker="two", now=LATER) is None
    theirs = claiming.claim(worker="two", now=NOW + timedelta(minutes=20))
    assert (theirs.pk, theirs.attempt, theirs.claimed_by) == (mine.pk, 2, "two")


def test_who_lost_the_lease_writes_nothing(world):
    """What was judged meanwhile is taken back: its marks stay, and the new owner counts it."""
    mark(world, "A1", "A2")
    run = scan.start(full=False, now=NOW)
    clock = Clock(NOW)
    working.work(claiming.claim(run=run, worker="one", now=NOW), clock=clock, told=lambda: None)
    mine = claiming.claim(run=run, worker="one", now=NOW)
    theirs = claiming.claim(run=run, worker="two", now=LATER)
    before = ScanChunk.objects.filter(pk=mine.pk).values().get()
    with pytest.raises(LeaseLost):
        working.work(mine, clock=clock, told=lambda: None)
    claiming.give_back(mine, attempt=0)
    assert ScanChunk.objects.filter(pk=mine.pk).values().get() == before
    assert marked() == {"S-A1", "S-A2"}
    assert working.work(theirs, clock=clock, told=lambda: None).new == 1
    assert (ScanChunk.objects.get(pk=mine.pk).judged, marked()) == (2, set())


def test_a_scan_goes_on_when_it_lost_a_chunk(world, monkeypatch, caplog):
    mark(world, "A1")
    original, lost = records.judge_sealed, []

    def judge_sealed(sensor_ids, *, now, **asked):
        if not lost:
            lost.append(sensor_ids)
            raise LeaseLost
        return original(sensor_ids, now=now, **asked)

    monkeypatch.setattr(records, "judge_sealed", judge_sealed)
    monkeypatch.setattr(claiming.settings, "SCAN_LEASE", timedelta(milliseconds=200))
    assert run_scan(now=NOW).judged == 1
    assert "another worker has it now" in caplog.text


def test_a_scan_stopped_by_hand_goes_on_at_once(world, monkeypatch):
    mark(world, "A1", "A2", "B1")
    monkeypatch.setattr(together, "BATCH", 1)
    monkeypatch.setattr(together, "TOGETHER", 1)
    original, calls = judging.judge, []

    def judge(sensor_ids, *, now, **asked):
        calls.append(sensor_ids)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return original(sensor_ids, now=now, **asked)

    monkeypatch.setattr(judging, "judge", judge)
    with pytest.raises(KeyboardInterrupt):
        run_scan(now=NOW)
    chunk = ScanChunk.objects.get(work="marked")
    assert (chunk.status, chunk.attempt, chunk.judged) == ("waiting", 0, 1)
    assert len(marked()) == 2
    run = run_scan(now=NOW)  # no lease has run out
    assert (run.judged, run.failed, len(calls)) == (3, [], 4)


def test_a_database_that_goes_away_ends_the_call_and_the_next_one_goes_on(world, monkeypatch):
    mark(world, "A1")
    original, calls = judging.judge, []

    def judge(sensor_ids, *, now, **asked):
        calls.append(sensor_ids)
        if len(calls) == 1:
            raise OperationalError("the database is away")
        return original(sensor_ids, now=now, **asked)

    monkeypatch.setattr(judging, "judge", judge)
    with pytest.raises(OperationalError):
        run_scan(now=NOW)
    run = run_scan(now=NOW)
    assert (run.judged, run.failed) == (1, [])


# ── Stages ────────────────────────────────────────────────────────────────────
def test_a_scan_is_cut_into_chunks_by_key(world, monkeypatch):
    monkeypatch.setattr(stages, "JUDGE_SENSORS", 3)
    run = run_scan(full=True, now=NOW)
    rows = run.chunks.filter(stage=stages.EVERYBODY).values_list("work", "sensors", "judged")
    assert list(rows) == [("judge", 3, 3), ("judge", 3, 3), ("judge", 2, 2)]
    assert run.judged == 8
    assert not run.chunks.exclude(status="done").exists()
    assert run.chunks.order_by("stage").last().work == "close"


def test_what_judging_touches_is_judged_in_the_next_round(world, monkeypatch):
    mark(world, "A1")
    original, touched = records.judge_sealed, [world.sensors["B1"].pk]

    def judge_sealed(sensor_ids, *, now, **asked):
        judged = original(sensor_ids, now=now, **asked)
        policies.mark_stale(touched, why="test", now=now)
        touched.clear()
        return judged

    monkeypatch.setattr(records, "judge_sealed", judge_sealed)
    run = run_scan(now=NOW)
    rows = run.chunks.order_by("stage").values_list("stage", "work", "judged")
    assert list(rows) == [(0, "learn", 0), (1, "marked", 1), (2, "marked", 1), (3, "close", 0)]
    assert (run.judged, marked()) == (2, set())


def test_what_never_comes_to_rest_ends_after_some_rounds(world, monkeypatch):
    mark(world, "A1")
    original = records.judge_sealed

    def judge_sealed(sensor_ids, *, now, **asked):
        judged = original(sensor_ids, now=now, **asked)
        policies.mark_stale(sensor_ids, why="test", now=now)
        return judged

    monkeypatch.setattr(records, "judge_sealed", judge_sealed)
    run = run_scan(now=NOW)
    assert run.chunks.filter(work="marked").count() == stages.MOST_ROUNDS
    assert marked() == {"S-A1"}


def test_progress_is_told_and_ends_with_everybody(world, monkeypatch):
    monkeypatch.setattr(together, "BATCH", 3)
    told = []
    run_scan(full=True, now=NOW, progress=lambda *so_far: told.append(so_far))
    assert told == sorted(told)
    assert (3, 8) in told
    assert told[-1] == (8, 8)


def test_helpers_are_called_when_there_are_new_chunks(world, monkeypatch):
    monkeypatch.setattr(stages, "JUDGE_SENSORS", 2)
    called, run = [], scan.start(full=True, now=NOW)
    assert scan.work_off(run, clock=Clock(NOW), hand_out=lambda _, chunks: called.append(chunks))
    assert called == [1, 4, 1]


# ── What cannot be judged ─────────────────────────────────────────────────────
@pytest.mark.parametrize("wrong", [ValueError, ZeroDivisionError, TypeError, IndexError])
def test_a_sensor_that_the_kernel_chokes_on_is_reported(world, monkeypatch, wrong):
    for name in ("A1", "A2", "B1"):
        world.season(name, 2025)
        world.season(name, 2026)
    Judgement.objects.all().delete()
    PackedHistory.objects.all().delete()
    mark(world, "A1", "A2", "B1")
    poisoned, original = world.sensors["A2"].pk, judging.assemble

    def assemble(recorded):
        if poisoned in recorded.sensor:
            raise wrong("no line fits")
        return original(recorded)

    monkeypatch.setattr(judging, "assemble", assemble)
    monkeypatch.setattr(learning, "learn", lambda **_: [])
    run = run_scan(now=NOW)
    assert run.failed == [{"sensor": "S-A2", "reason": "no line fits"}]
    assert marked() == {"S-A2"}
    assert run.judged >= 2
    judged = Judgement.objects.values_list("calibration__sensor__serial", flat=True)
    assert set(judged) == {"S-A1", "S-B1"}


@pytest.mark.parametrize("full", [True, False])
def test_a_sensor_that_kills_processes_stands_alone_in_the_end(world, killing, monkeypatch, full):
    monkeypatch.setattr(together, "BATCH", 40)
    for number in range(60):
        world.add_sensor(f"A{number + 10}")
    mark(world, *world.sensors)
    killing(world.sensors["A40"].pk)
    deaths, run = until_finished(full=full)
    assert deaths == 4
    assert [each["sensor"] for each in run.failed] == ["S-A40"]
    assert "ended 3 workers" in run.failed[0]["reason"]
    assert marked() == {"S-A40"}
    assert run.judged == run.sensors - 1 == 67
    if not full:  # in one round: nobody else was left out beside it
        assert not run.chunks.filter(stage__gt=1, judged__gt=0).exists()


def test_workers_that_die_of_something_else_make_no_sensor_fail(world, killing, monkeypatch):
    mark(world, *world.sensors)
    original, deaths = judging.judge, []

    def judge(sensor_ids, *, now, **asked):
        if len(deaths) < 3:
            deaths.append(sensor_ids)
            raise Killed
        return original(sensor_ids, now=now, **asked)

    monkeypatch.setattr(judging, "judge", judge)
    died, run = until_finished()
    assert (died, run.failed, run.judged, marked()) == (3, [], 8, set())


def test_later_attempts_begin_with_small_batches(monkeypatch):
    monkeypatch.setattr(narrowing, "NARROWER", 10)
    monkeypatch.setattr(together, "TOGETHER", 100)
    monkeypatch.setattr(together, "BATCH", 20)
    keys = list(range(230))
    sizes = [
        [len(some) for some in narrowing.batches(keys, None, attempt)] for attempt in (1, 2, 3)
    ]
    assert sizes[0] == [20] * 11 + [10]
    assert sizes[1] == [10] * 10 + [20] * 6 + [10]
    assert sizes[2] == [1] * 10 + [20] * 11
    dealer = np.repeat([3, 8], [90, 140])
    assert [len(some) for some in narrowing.batches(keys, dealer, 1)] == [90, 100, 40]
    assert [len(some) for some in narrowing.batches(keys, dealer, 3)] == [1] * 10 + [80, 100, 40]
    for attempt in range(1, 6):
        for whose in (None, dealer):
            cut = narrowing.batches(keys, whose, attempt)
            assert [pk for some in cut for pk in some] == keys


@pytest.mark.parametrize("broken", ["learn", "close"])
def test_what_cannot_be_learnt_or_settled_is_said_and_the_scan_ends(world, monkeypatch, broken):
    mark(world, "A1")

    def breaks(**_):
        raise RuntimeError("broken")

    where = (learning, "learn") if broken == "learn" else (working.overdue, "settle_overdue")
    monkeypatch.setattr(*where, breaks)
    for _ in range(claiming.MOST_ATTEMPTS):
        with pytest.raises(RuntimeError):
            run_scan(now=NOW)
    run = run_scan(now=NOW)
    assert (run.judged, len(run.failed)) == (1, 1)
    assert "3 attempts failed" in run.failed[0]["reason"]


# ── Comparing ─────────────────────────────────────────────────────────────────
@pytest.fixture
def packed(world, monkeypatch):
    """Pretend that all sensors have packs, of company 1 (dealer A) and 2 (dealer B)."""
    for name, sensor in world.sensors.items():
        PackedHistory.objects.update_or_create(
            sensor=sensor,
            defaults={
                "company": 1 if name < "B" else 2,
                "calibrations": 0,
                "heads": b"",
                "points": b"",
                "outcome": 0,
            },
        )
    monkeypatch.setattr(stages, "unpacked", lambda *_: np.zeros(0, dtype=np.int64))

    everybody = Span(1, 2)

    def companies(span=everybody):
        return [(key, 4) for key in (1, 2) if span.first <= key <= span.last]

    monkeypatch.setattr(comparing, "companies", companies)
    monkeypatch.setattr(comparing, "GROUP", 4)
    return world


def ranges(run):
    return list(run.chunks.filter(work="compare").values_list("first", "last"))


def test_only_who_differs_is_judged(packed, monkeypatch):
    asked, judged, original = [], [], records.judge_sealed

    def settle(span, *, now, stored):
        asked.append(span)
        return [packed.sensors["A2"].pk] if span.first == 1 else []

    def judge_sealed(sensor_ids, *, now, **asked):
        judged.extend(sensor_ids)
        return original(sensor_ids, now=now, **asked)

    monkeypatch.setattr(comparing, "settle", settle)
    monkeypatch.setattr(records, "judge_sealed", judge_sealed)
    run = run_scan(full=True, now=NOW)
    assert (asked, judged) == ([(1, 1), (2, 2)], [packed.sensors["A2"].pk])
    assert ranges(run) == [(1, 2)]
    assert run.judged == 8
    monkeypatch.setattr(stages, "COMPARE_SENSORS", 7)
    assert ranges(run_scan(full=True, now=NOW)) == [(1, 1), (2, 2)]
    assert asked == [(1, 1), (2, 2)] * 2
    monkeypatch.undo()
    assert spans([(1, 4), (2, 4), (5, 9)], 8) == [((1, 2), 8), ((5, 5), 9)]


def test_a_company_that_cannot_be_compared_is_judged_sensor_by_sensor(packed, monkeypatch, caplog):
    judged, original = [], records.judge_sealed

    def settle(span, *, now, stored):
        if span.last == 2:
            raise RuntimeError("no number")
        return []

    def judge_sealed(sensor_ids, *, now, **asked):
        judged.extend(sensor_ids)
        return original(sensor_ids, now=now, **asked)

    monkeypatch.setattr(comparing, "settle", settle)
    monkeypatch.setattr(records, "judge_sealed", judge_sealed)
    run = run_scan(full=True, now=NOW)
    assert sorted(judged) == sorted(
        sensor.pk for name, sensor in packed.sensors.items() if name > "B"
    )
    assert (run.judged, run.failed, marked()) == (8, [], set())
    assert "no number" in caplog.text
