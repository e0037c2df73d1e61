"""Marks of whoever is to be judged again: with their packs, where these say what has changed."""

import pytest

from calibration import learning, policies
from calibration.models import (
    DriftFlag,
    DueState,
    Fit,
    Judgement,
    PackedHistory,
    StaleSensor,
    TolerancePolicy,
)
from calibration.scan import run_scan
from fleet.models import SensorModel
from tests.calibration.lives import grow, resell
from tests.calibration.test_scan import rows as derived
from tests.conftest import NOW


def marked():
    return set(StaleSensor.objects.values_list("sensor__serial", flat=True))


def packed():
    there = PackedHistory.objects.filter(calibrations__gt=0)
    return set(there.values_list("sensor__serial", flat=True))


@pytest.fixture
def fleet(world):
    """Four calibrated sensors, two of each dealer; B2 was resold to A."""
    for which in ("A1", "A2", "B1", "B2"):
        reference = None if which == "A2" else world.references[which[0]]
        world.season(which, 2025, reference=reference)
    resell(world, "B2", "A1")
    return world


EVERYBODY = {"S-A1", "S-A2", "S-B1", "S-B2"}


def test_who_is_marked_anew_loses_the_pack_and_nobody_else_does(fleet):
    keys = (fleet.sensors[which].pk for which in ("A1", "B1", "A1b"))
    policies.mark_anew(keys, why="test", now=NOW)
    assert packed() == {"S-A2", "S-B2"}
    assert marked() == {"S-A1", "S-B1", "S-A1b"}
    run_scan(now=NOW)
    assert packed() == EVERYBODY
    assert marked() == set()


def test_a_changed_model_drops_the_packs_of_its_sensors(fleet):
    other = SensorModel.objects.create(name="LC-900", rated_load=900.0, load_unit="daN")
    policies.mark_rule_changed(other, now=NOW)
    assert (packed(), marked()) == (EVERYBODY, set())
    policies.mark_rule_changed(fleet.sensor_model, now=NOW)
    assert packed() == set()
    assert marked() == {sensor.serial for sensor in fleet.sensors.values()}


def test_a_changed_dealer_drops_the_packs_of_what_it_has_and_of_what_it_recorded(fleet):
    policies.mark_rule_changed(fleet.dealers["B"], now=NOW)
    assert packed() == {"S-A1", "S-A2"}
    assert marked() == {"S-B1", "S-B1b", "S-B2"}


def test_policies_and_references_are_not_packed(fleet):
    policies.mark_rule_changed(fleet.references["B"], now=NOW)
    assert marked() == {"S-B1", "S-B2"}
    policies.mark_rule_changed(
        TolerancePolicy.objects.create(dealer=fleet.dealers["A"], slope_tolerance_pct=1), now=NOW
    )
    assert marked() == {f"S-{which}" for which in ("A1", "A1b", "A2", "A2b", "B1", "B2", "B2b")}
    assert packed() == EVERYBODY


def rows():
    """Return what follows from the records; by how much a sensor is overdue, only the first scan
    says that finds it so."""
    found = derived()
    return found | {"flags": [flag for flag in found["flags"] if "'overdue'" not in flag]}


def forget():
    for model in (Fit, Judgement, DueState, DriftFlag, PackedHistory):
        model.objects.all().delete()


@pytest.mark.parametrize("seed", range(3))
def test_a_season_that_starts_on_another_day_is_as_if_it_always_had(world, seed, monkeypatch):
    grow(world, seed)
    run_scan(full=True, now=NOW)
    monkeypatch.setattr(learning, "learn", lambda **_: [])
    before, dealer = rows(), world.dealers["A"]
    dealer.season_start = "09-12"  # 10 March is of the season before, 17 March of the one after
    dealer.save()
    policies.mark_rule_changed(dealer, now=NOW)
    run_scan(now=NOW)
    after = rows()
    assert after["Judgement"] != before["Judgement"]
    forget()
    run_scan(full=True, now=NOW)
    assert rows() == after


@pytest.mark.parametrize("seed", range(2))
def test_a_model_that_is_rated_otherwise_is_as_if_it_always_had_been(world, seed, monkeypatch):
    grow(world, seed)
    run_scan(full=True, now=NOW)
    monkeypatch.setattr(learning, "learn", lambda **_: [])
    SensorModel.objects.update(rated_load=150.0, repeatability_pct=0.3)
    policies.mark_rule_changed(SensorModel.objects.get(), now=NOW)
    run_scan(now=NOW)
    after = rows()
    forget()
    run_scan(full=True, now=NOW)
    assert rows() == after
