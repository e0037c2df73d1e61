"""Neighbours and siblings: found as a plain loop finds them, and told when they are touched."""

import random
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import company, fingerprint, judging, packing, records
from calibration.columns import located
from calibration.models import Calibration, PackedHistory, StaleSensor
from calibration.neighbours import MOST_NEIGHBOURS, MachineLines, neighbours
from calibration.recorded import read_recorded
from calibration.scan import run_scan
from fleet.models import Sensor
from tests.calibration.lives import grow, live
from tests.conftest import NOW

HALF_A_DAY = 720  # minutes

# ── Neighbours ────────────────────────────────────────────────────────────────


def history_of(rows):
    """Return what neighbours are asked for, of (machine or None, sensor, minute)."""
    machine, sensor, minute = zip(*rows, strict=True) if rows else ((), (), ())
    return SimpleNamespace(
        extras={"machine": np.array(machine, dtype=np.float64)},
        sensor=np.array(sensor, dtype=np.int64),
        minute=np.array(minute, dtype=np.int64),
    )


def lines_of(rows):
    """Return lines of (machine, sensor, minute), each with a slope of its own."""
    machine, sensor, minute = zip(*rows, strict=True) if rows else ((), (), ())
    number = np.arange(len(rows), dtype=np.float64)
    keys = (np.array(values, dtype=np.int64) for values in (machine, sensor, minute))
    return MachineLines(*keys, slope=number, offset=-number)


def by_hand(asked, lines):
    """Return slopes of the neighbours of one (machine, sensor, minute), the first ones by key."""
    machine, sensor, minute = asked
    last = {}
    for number, (where, who, when) in enumerate(lines):
        if where == machine and who != sensor and when + HALF_A_DAY <= minute:
            last[who] = number
    return [last[who] for who in sorted(last)][:MOST_NEIGHBOURS]


def assert_as_by_hand(asked, lines):
    index = np.arange(len(asked))
    found = neighbours(history_of(asked), index, lines_of(lines))
    assert found.index.tolist() == [i for i in index if lines and asked[i][0] is not None]
    slope, offset = found.around(index)
    assert slope.shape == offset.shape
    for i, row in enumerate(slope):
        there = ~np.isnan(row)
        expected = [] if asked[i][0] is None else by_hand(asked[i], lines)
        assert row[there].tolist() == expected
        assert offset[i][there].tolist() == [-number for number in expected]


KEYS = st.integers(1, 4)
MINUTES = st.integers(0, 6).map(lambda half_days: half_days * HALF_A_DAY) | st.integers(0, 4000)
ASKED = st.tuples(st.none() | KEYS, KEYS, MINUTES)
LINES = st.lists(st.tuples(KEYS, KEYS, MINUTES), max_size=40)


@given(st.lists(ASKED, max_size=12), LINES, st.booleans())
def test_neighbours_are_those_of_a_plain_loop(asked, lines, mixed):
    # By sensor and time, or two such lists one after the other.
    parts = (lines[::2], lines[1::2]) if mixed else (lines, [])
    shared = {row[:2] for row in parts[0]} & {row[:2] for row in parts[1]}
    rows = [
        row
        for part in parts
        for row in sorted(part, key=lambda row: row[1:])
        if part is parts[0] or row[:2] not in shared
    ]
    assert_as_by_hand(asked, rows)


def test_a_neighbour_counts_from_half_a_day_after_its_calibration():
    lines = [(1, 2, 10_000), (1, 2, 20_000)]
    for minute, expected in ((10_719, []), (10_720, [0]), (20_719, [0]), (20_720, [1])):
        found = neighbours(history_of([(1, 1, minute)]), np.array([0]), lines_of(lines))
        assert found.around(np.array([0]))[0][0].tolist() == expected


def test_a_sensor_is_not_its_own_neighbour_and_other_machines_are_none():
    lines = [(1, 1, 100), (2, 3, 100)]
    found = neighbours(history_of([(1, 1, 3000)]), np.array([0]), lines_of(lines))
    assert found.slope.shape == (1, 0)


@pytest.mark.parametrize("count", [MOST_NEIGHBOURS, MOST_NEIGHBOURS + 1, 100])
def test_there_are_sixty_four_neighbours_at_most(count):
    lines = [(1, sensor, 100) for sensor in range(count)]
    assert_as_by_hand([(1, 0, 3000), (1, count // 2, 3000), (1, 999, 3000)], lines)


def test_sensors_that_were_not_calibrated_yet_take_no_places():
    later = [(1, sensor, 500) for sensor in range(60)]
    earlier = [(1, sensor, 100) for sensor in range(60, 100)]
    assert_as_by_hand([(1, 999, 3000)], later + earlier)


# ── Who is touched ────────────────────────────────────────────────────────────


def everybody():
    return list(PackedHistory.objects.order_by("pk").values_list("pk", flat=True))


def judged_otherwise():
    """Sensors whose verdicts are not what is stored, everybody judged again by their records."""
    sensors = np.array(everybody())
    found = judging.outcomes_of(read_recorded(sensors.tolist()))
    digest = fingerprint.digests(found).of(sensors)
    stored = packing.said_of(PackedHistory.objects.all())
    place, there = located(stored["sensor"], sensors)
    assert there.all()
    return set(sensors[digest != stored["outcome"][place]].tolist())


def sharing(sensor):
    """Sensors that ever shared a machine or a reference with one."""
    records_of = Calibration.objects.filter(sensor=sensor)
    machines = records_of.values("installation__machine")
    references = records_of.exclude(reference=None).values("reference")
    found = Sensor.objects.filter(calibrations__installation__machine__in=machines)
    found |= Sensor.objects.filter(calibrations__reference__in=references)
    return set(found.values_list("pk", flat=True))


@pytest.fixture
def seen(monkeypatch):
    """Find who is touched by what was read before, and by reading all of it, alike."""
    original, counted = company.read_touched, []

    def read_touched(history, moved, siblings):
        found = original(history, moved, siblings)
        assert found == original(history, moved, company.nobody())
        counted.append(len(siblings.asked))
        return found

    monkeypatch.setattr(company, "read_touched", read_touched)
    return counted


@pytest.fixture
def new(monkeypatch):
    """Find what moved without reading of what is new, and by reading of all of it, alike."""
    original, counted = judging._moved, []

    def moved(outcome, which, unread):
        found = original(outcome, which, unread)
        whole = original(outcome, which, np.zeros_like(which))
        for one, other in zip(vars(found).values(), vars(whole).values(), strict=True):
            np.testing.assert_array_equal(one, other)
        counted.append(int((which & unread).sum()))
        return found

    monkeypatch.setattr(judging, "_moved", moved)
    return counted


@pytest.mark.parametrize("seed", range(4))
def test_whose_verdict_changes_with_a_record_of_another_is_marked(world, seed, seen, new):
    grow(world, seed)
    run_scan(full=True, now=NOW)
    rng, changed_at_all = random.Random(seed), 0
    for _ in range(12):
        assert judged_otherwise() == set()
        which = rng.choice(sorted(world.sensors))
        live(world, which, rng)
        marked = set(StaleSensor.objects.values_list("pk", flat=True))
        changed = judged_otherwise()
        assert changed <= marked
        assert marked <= sharing(world.sensors[which]) - {world.sensors[which].pk}
        changed_at_all += len(changed)
        records.judge_sealed(everybody(), now=NOW)
        StaleSensor.objects.all().delete()
    assert changed_at_all
    assert any(seen)
    assert any(new)


def test_nobody_is_marked_where_nothing_moved(world):
    grow(world, 4)
    run_scan(full=True, now=NOW)
    for sensor in everybody():
        assert judging.judge([sensor], now=NOW).touched == frozenset()
        PackedHistory.objects.filter(pk=sensor).update(outcome=0)
        assert judging.judge([sensor], now=NOW).touched == frozenset()
