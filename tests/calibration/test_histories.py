"""What was sealed and not judged yet, as a load leaves it, is added to what is packed."""

import random

import numpy as np
import pytest
from django.db.models import Q

from calibration import comparing, histories, packing, policies, records
from calibration.histories import behind, recorded_of
from calibration.models import Calibration, PackedHistory, StaleSensor, TolerancePolicy
from calibration.recorded import read_recorded
from calibration.scan import run_scan
from calibration.together import Span
from tests.calibration.lives import draft, grow
from tests.calibration.test_packing import assert_same, everybody, packs
from tests.calibration.test_scan import rows
from tests.conftest import NOW, SYSTEM


def seal(world, drafts):
    """Seal records and mark their sensors, as a load from a file does; return who they are."""
    outcomes = records.seal_many(drafts, scope=SYSTEM, now=NOW, user_id=None)
    sealed = {outcome.sealed.sensor_id for outcome in outcomes if getattr(outcome, "sealed", None)}
    policies.mark_stale(sealed, why="test", now=NOW)
    return sorted(sealed)


def some(world, seed, count=25):
    """Return drafts of random sensors: some supersede, some name a moment that is there."""
    rng = random.Random(seed)
    return [draft(world, rng.choice(sorted(world.sensors)), rng) for _ in range(count)]


@pytest.mark.parametrize("seed", range(4))
def test_packs_and_what_came_later_are_what_was_recorded(world, read, seed):
    grow(world, seed)
    there = PackedHistory.objects.filter(calibrations__gt=0)
    assert sum(there.values_list("calibrations", flat=True)) == Calibration.objects.count()
    sealed = seal(world, some(world, seed))
    assert behind(Q()).tolist() == sealed
    everything = read_recorded(everybody())
    assert everything.heads["superseded"].any()
    read.clear()
    assert_same(recorded_of(everybody()), everything)
    # Days are few: of some sensors the moments do not tell the order, and nobody else is read.
    assert set(read) < set(sealed)
    assert_same(recorded_of(sealed[1::2]), everything.of(np.array(sealed[1::2])))


@pytest.mark.parametrize("full", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_a_scan_after_it_is_as_if_all_had_been_read(world, seed, full):
    grow(world, seed + 20)
    run_scan(full=True, now=NOW)
    seal(world, some(world, seed))
    run_scan(full=full, now=NOW)
    assert behind(Q()).tolist() == []
    assert not StaleSensor.objects.exists()
    found, packed = rows(), packs()
    PackedHistory.objects.all().delete()
    run_scan(full=True, now=NOW)
    assert (rows(), packs()) == (found, packed)


def test_a_post_after_it_brings_everything_into_the_pack(world, read):
    for year in (2021, 2022):
        world.season("A1", year)
    seal(world, [world.draft("A1", performed_at=NOW.replace(year=2024))])
    world.season("A1", 2025)
    assert read == []
    assert PackedHistory.objects.get().calibrations == 4
    assert_same(recorded_of(everybody()), read_recorded(everybody()))


def test_a_pack_that_is_forgotten_between_two_readings_is_not_believed(world, monkeypatch, read):
    for year in (2021, 2022):
        world.season("A1", year)
    (sensor,) = seal(world, [world.draft("A1", performed_at=NOW.replace(year=2024))])
    read_later = histories.read_later

    def meanwhile(sensors):
        PackedHistory.objects.update(calibrations=1)  # with zero, nothing more would be read
        return read_later(sensors)

    monkeypatch.setattr(histories, "read_later", meanwhile)
    assert_same(recorded_of([sensor]), read_recorded([sensor]))
    assert read == [sensor]


def test_a_company_is_not_stored_together_over_what_is_not_packed(world):
    grow(world, 7)
    run_scan(full=True, now=NOW)
    TolerancePolicy.objects.create(slope_tolerance_pct=0.01)  # another verdict for everybody
    (sensor,) = seal(world, [world.draft("A1", performed_at=NOW.replace(day=1))])
    told, its = [], Span(*[world.dealers["A"].pk] * 2)
    left = comparing.settle(its, now=NOW, stored=told.append)
    assert told == []
    assert sensor in left
    assert StaleSensor.objects.filter(pk=sensor).exists()
    histories.pack([sensor])
    assert comparing.settle(its, now=NOW, stored=told.append) == []
    assert len(told) == 1
    assert not StaleSensor.objects.filter(pk=sensor).exists()


def test_a_pack_that_is_behind_is_not_called_wrong_and_an_altered_one_is(world):
    for year in (2021, 2022):
        world.season("A1", year)
    (sensor,) = seal(world, [world.draft("A1", performed_at=NOW.replace(year=2024))])
    assert histories.out_of_date([sensor]) == []
    recorded = recorded_of([sensor])
    recorded.points[0, 1] += 1.0
    packing.keep(recorded)
    assert histories.out_of_date([sensor]) == [sensor]


@pytest.mark.parametrize("full", [True, False])
def test_a_pack_that_another_release_laid_out_is_made_again(world, read, full):
    """Such as a worker of before an upgrade may leave, while others run the new one."""
    grow(world, 5)
    run_scan(full=True, now=NOW)
    found, packed = rows(), packs()
    old = PackedHistory.objects.filter(calibrations__gt=1)[:3]
    for pack in old:
        pack.heads = bytes(pack.heads)[: -pack.calibrations]  # each record a byte shorter
        pack.save()
    read.clear()
    assert_same(recorded_of(everybody()), read_recorded(everybody()))
    assert set(read) == {pack.pk for pack in old}
    policies.mark_stale([pack.pk for pack in old], why="test", now=NOW)
    run_scan(full=full, now=NOW)
    assert (rows(), packs()) == (found, packed)
    old[0].save()
    world.season(old[0].sensor.serial.removeprefix("S-"), 2027)
    assert_same(recorded_of(everybody()), read_recorded(everybody()))


def test_a_company_with_such_a_pack_is_judged_sensor_by_sensor(world):
    grow(world, 6)
    run_scan(full=True, now=NOW)
    found, packed = rows(), packs()
    pack = PackedHistory.objects.filter(calibrations__gt=1).first()
    pack.heads = bytes(pack.heads)[: -pack.calibrations]
    pack.save()
    span = Span(0, 2**31)
    told = []
    left = set(comparing.settle(span, now=NOW, stored=told.append))
    left |= {sensor for judged in told for sensor in judged.touched}  # in it are guests
    assert pack.pk in left
    records.judge_marked(sorted(left), now=NOW)
    assert (rows(), packs()) == (found, packed)
