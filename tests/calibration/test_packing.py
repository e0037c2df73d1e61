"""Packed histories say what the records say, and are made again where they are missing."""

import numpy as np
import pytest

from calibration import packing, policies, records, stages
from calibration.histories import pack, recorded_of
from calibration.models import Calibration, FurtherCompany, PackedHistory, StaleSensor
from calibration.recorded import read_recorded
from calibration.records import PointDraft
from calibration.scan import run_scan
from calibration.uncounted import take
from fleet.models import Sensor
from tests.calibration.lives import LATE, grow, resell
from tests.calibration.test_scan import rows
from tests.conftest import NOW


def everybody():
    return list(Sensor.objects.order_by("pk").values_list("pk", flat=True))


def packs():
    """Return all packed histories with all they say, but for what was counted."""
    names = ("pk", "company", "calibrations", "heads", "points", "outcome", "digests")
    found = PackedHistory.objects.order_by("pk").values_list(*names)
    return [tuple(bytes(v) if isinstance(v, memoryview) else v for v in row) for row in found]


def further():
    pairs = FurtherCompany.objects.values_list("sensor__serial", "company")
    return sorted(pairs)


def assert_same(packed, read):
    assert packed.sensor.tolist() == read.sensor.tolist()
    assert packed.heads.tobytes() == read.heads.tobytes()
    assert packed.points.tobytes() == read.points.tobytes()


@pytest.mark.parametrize("seed", range(4))
def test_what_is_packed_is_what_was_recorded(world, seed):
    grow(world, seed)
    sensors = everybody()
    packed, read = recorded_of(sensors), read_recorded(sensors)
    assert_same(packed, read)
    assert len(packed) == Calibration.objects.count()
    assert len(set(packed.heads["points"].tolist())) > 2
    assert packed.heads["superseded"].any()
    serials = dict(Sensor.objects.values_list("pk", "serial"))
    met = [serials[key] for key in np.unique(packed.sensor).tolist()]
    assert met != sorted(met)  # the order of keys is another one than that of serials
    assert set(met) >= {f"S-{name}" for name in LATE}


def test_packs_are_in_order_whatever_their_companies(world):
    grow(world, 1)
    sensors = everybody()
    read = read_recorded(sensors)
    for place, key in enumerate(sensors):
        PackedHistory.objects.filter(pk=key).update(company=900 + place * 7 % 5)
    packed, said = packing.unpack(PackedHistory.objects.all())
    assert_same(packed, read)
    rows = PackedHistory.objects.order_by("pk")
    assert said["calibrations"].tolist() == [row.calibrations for row in rows]
    assert said["outcome"].tolist() == [row.outcome for row in rows]
    nobody, said = packing.unpack(PackedHistory.objects.none())
    assert (len(nobody), [len(values) for values in said.values()]) == (0, [0, 0, 0])


@pytest.mark.parametrize("seed", range(2))
def test_those_without_a_pack_are_read_from_their_records_in_between(world, seed):
    grow(world, seed)
    read = read_recorded(everybody())
    for which in (everybody()[::2], everybody()[3:4], everybody()):
        PackedHistory.objects.filter(pk__in=which).delete()
        assert_same(recorded_of(everybody()), read)
    assert not PackedHistory.objects.exists()


def test_a_part_of_the_fleet_is_read_by_itself(world):
    grow(world, 5)
    read = read_recorded(everybody())
    some = everybody()[1::3]
    for reading in (read_recorded, recorded_of):
        assert_same(reading(some), read.of(np.array(some)))
    assert len(recorded_of([-1])) == 0


def test_packing_what_is_missing_makes_the_same_packs_without_a_verdict(world):
    grow(world, 6)
    records.judge_sealed(everybody(), now=NOW)  # some were resold since
    before = packs()
    PackedHistory.objects.all().delete()
    FurtherCompany.objects.all().delete()
    assert pack(everybody()) == len(before)
    assert [row[:-2] for row in packs()] == [row[:-2] for row in before]
    assert {row[-2:] for row in packs()} == {(0, b"")}
    assert pack(everybody()) == 0
    assert pack([world.add_sensor("A05").pk]) == 0  # it was never calibrated


def test_the_company_is_the_dealer_whose_reference_came_first(world):
    a, b = (world.dealers[letter].pk for letter in "AB")
    world.season("A1", 2021)
    world.season("B2", 2021)
    resell(world, "B2", "A1")
    assert dict(PackedHistory.objects.values_list("sensor__serial", "company")) == {
        "S-A1": a,
        "S-B2": b,
    }
    for which in ("B2", "B2b"):
        world.sensors[which].refresh_from_db()
    world.season("B2b", 2022)
    world.season("B2", 2022)
    companies = dict(PackedHistory.objects.values_list("sensor__serial", "company"))
    assert companies == {"S-A1": a, "S-B2": a, "S-B2b": a}  # own weight only: their dealer's
    assert further() == []


def test_further_companies_appear_when_a_sensor_is_resold_and_go_with_its_records(world):
    a, b = (world.dealers[letter].pk for letter in "AB")
    first = world.season("B2", 2022, reference=world.references["B"]).calibration
    assert further() == []
    resell(world, "B2", "A1")
    world.sensors["B2"].refresh_from_db()
    world.season("B2", 2023, reference=world.references["A"])
    world.season("B2", 2024, reference=world.references["A"])
    assert PackedHistory.objects.get().company == b
    assert further() == [("S-B2", a)]
    FurtherCompany.objects.create(sensor=world.sensors["B2"], company=b)
    FurtherCompany.objects.create(sensor=world.sensors["A2"], company=b)
    records.judge_sealed([world.sensors["B2"].pk], now=NOW)
    assert further() == [("S-A2", b), ("S-B2", a)]  # that of another sensor is left alone
    correct = {"supersedes": first, "supersede_reason": "typed wrongly"}
    world.season("B2", 2025, reference=world.references["A"], **correct)
    assert PackedHistory.objects.get().company == b  # a superseded record is packed as well


def test_each_changed_sensor_is_taken_once(world):
    grow(world, 8)
    changed = PackedHistory.objects.order_by("pk")
    assert take().sensor.tolist() == list(changed.values_list("pk", flat=True))
    assert take().sensor.tolist() == []
    run_scan(full=True, now=NOW)  # takes them itself
    assert take().sensor.tolist() == []
    world.season("A1", 2026, points=(PointDraft(0, 21000), PointDraft(100, 31000)))
    world.season("A03", 2026)
    records.judge_sealed([world.sensors["A2"].pk], now=NOW)  # nothing new follows
    assert take().sensor.tolist() == [world.sensors["A1"].pk, world.sensors["A03"].pk]
    assert take().sensor.tolist() == []


@pytest.mark.parametrize("full", [True, False])
def test_a_pack_that_was_deleted_is_read_from_the_records_again(world, full):
    grow(world, 9)
    run_scan(full=True, now=NOW)
    before, packed = rows(), packs()
    gone = [world.sensors[name].pk for name in ("A1", "A03", "B2")]
    PackedHistory.objects.filter(pk__in=gone).delete()
    if not full:
        policies.mark_stale(gone, why="test", now=NOW)
    run_scan(full=full, now=NOW)
    assert packs() == packed
    assert rows() == before
    assert not StaleSensor.objects.exists()
    assert not set(stages.unpacked(stages.CALIBRATED).tolist())


@pytest.mark.parametrize("full", [True, False])
def test_a_pack_that_says_something_else_is_believed_until_it_is_dropped(world, full):
    """Which is why whatever changes what is packed has to drop it."""
    grow(world, 10)
    run_scan(full=True, now=NOW)
    before, sensor = rows(), world.sensors["A1"].pk
    recorded = read_recorded([sensor])
    recorded.points[:, 1] += 500.0
    packing.keep(recorded)
    policies.mark_stale([sensor], why="test", now=NOW)
    run_scan(full=full, now=NOW)
    assert rows() != before
    policies.mark_anew([sensor], why="test", now=NOW)
    run_scan(full=full, now=NOW)
    assert rows() == before
