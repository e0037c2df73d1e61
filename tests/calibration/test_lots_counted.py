"""Lots counted night by night: the kept counts are what counting everything anew gives."""

import random
from dataclasses import replace

import pytest

from calibration import fleetwide, policies, records
from calibration.fleetwide import counting, siblings
from calibration.models import (
    DriftFlag,
    Judgement,
    LotCount,
    LotLooks,
    Stage,
    UncountedSensor,
)
from calibration.scan import run_scan
from fleet.models import Sensor, SensorModel
from tests.calibration import lots_by_sql
from tests.calibration.lives import draft, grow
from tests.calibration.test_fleetwide_lots import YEAR, bad_and_good, by_lot, lot, open_flags
from tests.conftest import NOW, SYSTEM

LOOKS = ("lot_count__lot", "looks", "first_out", "p_out")


def kept():
    """The lots as the kept counts have them."""
    names = ("sensor_model_id", "sensor_model__name", "lot", *counting.COUNTS)
    rows = counting.counted().values_list(*names)
    return siblings._compared([siblings.Counted(*row) for row in rows])


def judge_anew(rng, lives):
    """Give a few calibrations another verdict, trust or p_out; return their sensors."""
    touched = set()
    for _ in range(rng.randint(1, 6)):
        row = rng.choice(rng.choice(lives)[1:])
        change = rng.choice(
            [{"verdict": "beyond"}, {"verdict": "within"}, {"trusted": False}, {"trusted": True},
             {"p_out_slope": rng.random()}, {"p_out_slope": None}]
        )  # fmt: skip
        Judgement.objects.filter(pk=row.pk).update(**change)
        touched.add(row.sensor_id)
    return touched


def random_lots(world, rng):
    """Two models, five lots and sensors of no lot, at two dealers."""
    other = SensorModel.objects.create(name="LC-900", rated_load=300.0, load_unit="daN")
    lives = []
    for model in (None, other):
        for name in ("K1", "K2", "K3", ""):
            for dealer in "AB":
                verdicts = [
                    "".join(rng.choice("..o") for _ in range(rng.randint(1, 5))) for _ in range(4)
                ]
                if name:
                    prefix = name if model is None else f"{name}m"
                    lives += lot(world, prefix, *verdicts, dealer=dealer, model=model)
    return lives


@pytest.mark.parametrize("seed", range(6))
def test_every_caller_gets_what_the_database_groups(world, seed):
    random_lots(world, random.Random(seed))
    for scope in (SYSTEM, world.scopes["techA"], world.scopes["managerB"]):
        found = siblings._counted(scope)
        assert len(found) > 4
        assert found == lots_by_sql.counted(scope)


@pytest.mark.parametrize("seed", range(6))
def test_counts_that_are_kept_are_counts_made_anew(world, seed):
    rng = random.Random(seed)
    lives = random_lots(world, rng)
    fleetwide.settle_lots(now=NOW, sensors=[])  # never counted: everything is
    assert kept() == fleetwide.lots(scope=SYSTEM)
    for night in range(1, 6):
        touched = judge_anew(rng, lives)
        if night == 2:
            lives += lot(world, f"NEW{seed}", "o.", "..")
            touched |= {life[0].sensor_id for life in lives[-2:]}
        if night == 3:  # to another lot, and to none
            for name, life in zip(("K1", ""), rng.sample(lives, 2), strict=True):
                Sensor.objects.filter(pk=life[0].sensor_id).update(lot=name)
                touched.add(life[0].sensor_id)
        fleetwide.settle_lots(now=NOW + night * YEAR, sensors=touched)
        assert kept() == fleetwide.lots(scope=SYSTEM)
    by_night = list(LotLooks.objects.order_by("sensor").values_list("sensor", *LOOKS))
    flags_by_night = set(open_flags().values_list("calibration", "magnitude", "tolerance"))
    LotLooks.objects.all().delete()
    LotCount.objects.all().delete()
    DriftFlag.objects.all().delete()
    fleetwide.settle_lots(now=NOW + 9 * YEAR)
    assert list(LotLooks.objects.order_by("sensor").values_list("sensor", *LOOKS)) == by_night
    assert len(set(open_flags().values_list("sensor__lot"))) == len(flags_by_night)


@pytest.mark.parametrize("seed", range(4))
def test_what_judging_noted_is_what_is_read(world, seed):
    """Posts and a scan of what was sealed only: as found, as left, superseded, resold."""
    rng = random.Random(seed)
    for name in ("A1", "A2", "B1", "B2"):
        Sensor.objects.filter(pk=world.sensors[name].pk).update(lot=rng.choice(["L1", "L2", ""]))
    grow(world, seed)
    fleetwide.settle_lots(now=NOW, sensors=())  # never counted: everything is
    for post in (records.record_many, records.seal_many):
        drafts = [draft(world, rng.choice(sorted(world.sensors)), rng) for _ in range(25)]
        stages = [replace(each, stage=rng.choice(Stage.values)) for each in drafts]
        outcomes = post(stages, scope=SYSTEM, now=NOW, user_id=None)
        sealed = [each for each in outcomes if isinstance(each, records.Recorded)]
        assert len(sealed) > 8
        policies.mark_stale({each.calibration.sensor_id for each in sealed}, why="test", now=NOW)
        if post is records.record_many:
            fleetwide.settle_lots(now=NOW + YEAR, sensors=())
        else:
            run_scan(now=NOW)
        assert not UncountedSensor.objects.exists()
        assert LotLooks.objects.filter(first_out__isnull=False).count() > 3
        by_notes = list(LotLooks.objects.order_by("sensor").values_list("sensor", *LOOKS))
        assert kept() == fleetwide.lots(scope=SYSTEM)
        LotLooks.objects.all().delete()
        LotCount.objects.all().delete()
        fleetwide.settle_lots(now=NOW + YEAR)
        assert list(LotLooks.objects.order_by("sensor").values_list("sensor", *LOOKS)) == by_notes


def test_who_is_named_or_was_noted_without_numbers_is_read(world):
    bad = bad_and_good(world)
    fleetwide.settle_lots(now=NOW, sensors=())
    Judgement.objects.filter(pk__in=[bad[0][1].pk, bad[1][1].pk]).update(verdict="within")
    fleetwide.settle_lots(now=NOW, sensors=[bad[2][1].sensor_id])
    assert by_lot(kept())["BAD"]["out"] == 9
    fleetwide.settle_lots(now=NOW, sensors=[bad[0][1].sensor_id])
    assert by_lot(kept())["BAD"]["out"] == 8
    UncountedSensor.objects.create(sensor_id=bad[1][1].sensor_id, since=NOW)  # as of before 0015
    fleetwide.settle_lots(now=NOW, sensors=())
    assert by_lot(kept())["BAD"]["out"] == 7


def test_a_full_count_mends_what_is_wrong(world):
    bad_and_good(world)
    fleetwide.settle_lots(now=NOW)
    LotCount.objects.filter(lot="BAD").update(looks=1, out=0, sensors=7)
    LotLooks.objects.filter(lot_count__lot="G1").update(looks=5)
    fleetwide.settle_lots(now=NOW)
    assert kept() == fleetwide.lots(scope=SYSTEM)


@pytest.mark.parametrize("close", [1000, -1])
def test_dense_and_scattered_keys_are_read_alike(world, monkeypatch, close):
    monkeypatch.setattr("calibration.columns.conditions._CLOSE", close)
    monkeypatch.setattr("calibration.fleetwide.counting.AT_ONCE", 7)
    bad_and_good(world)
    fleetwide.settle_lots(now=NOW)
    assert kept() == fleetwide.lots(scope=SYSTEM)
