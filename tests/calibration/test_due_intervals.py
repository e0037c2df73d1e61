"""What a model's record makes of due days: learnt by scans, applied to every sensor, explained."""

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from scipy.optimize import brentq
from scipy.stats import norm

from calibration import due, records, scan
from calibration.claiming import Clock
from calibration.due import together
from calibration.fleetwide import intervals, settle_intervals
from calibration.models import DueState, ModelInterval, StaleSensor, TolerancePolicy
from calibration.policies import mark_rule_changed
from calibration.records import PointDraft
from fleet import registry
from tests.conftest import NOW, SYSTEM

SENSORS, OUT = 24, 6
YEAR = 365


def learnt(world, days, **changes):
    values = {
        "sensor_model": world.sensor_model, "target": 0.9, "lower_days": days, "confidence": 0.9,
        "longest_seen_days": 900.0, "basis": "weibull", "outcomes": 120, "beyond": 14,
        "calibrations": 500, "learnt_at": NOW, "applied": True, "method": intervals.METHOD,
    }  # fmt: skip
    return ModelInterval.objects.create(**(values | changes))


def state(world, which):
    row = DueState.objects.get(sensor=world.sensors[which])
    return row.due_on, row.decided_by


def everybody(world):
    return [sensor.pk for sensor in world.sensors.values()]


@pytest.fixture
def seasoned(world):
    """Return a world with 24 sensors calibrated twice, a year apart; 6 had left tolerance."""
    for n in range(SENSORS):
        world.add_sensor(f"A-{n}")
    drafts = []
    for year in (2025, 2026):
        for n in range(SENSORS):
            out = year == 2026 and n < OUT
            drafts.append(
                world.draft(
                    f"A-{n}",
                    performed_at=datetime(year, 3, 10, 9, tzinfo=UTC) + timedelta(minutes=n),
                    # Far from the others' common change, and what an ageing cell would show.
                    points=(PointDraft(0, 20000), PointDraft(100, 30000 - 900 * out)),
                )
            )
    for draft in drafts:
        records.record_calibration(draft, scope=SYSTEM, now=NOW)
    return world


# ── Due days follow from what was learnt ──────────────────────────────────────
def test_a_models_record_pulls_due_days_in_as_soon_as_it_is_learnt(world):
    world.season("A1", 2026)
    assert state(world, "A1") == (date(2027, 3, 10), "interval")
    due.catch_up(now=NOW)
    learnt(world, 210.4)
    differing = due.differing(due.reading.newest_of(np.array(sorted(everybody(world)))))
    assert differing.tolist() == [world.sensors["A1"].pk]
    due.refresh(everybody(world), now=NOW)
    assert state(world, "A1") == (date(2026, 3, 10) + timedelta(days=210), "reliability")
    world.season("A2", 2026)  # a post uses it at once
    assert state(world, "A2") == (date(2026, 3, 10) + timedelta(days=210), "reliability")


def test_it_is_the_target_of_the_dealers_own_policy_that_counts(world):
    TolerancePolicy.objects.create(dealer=world.dealers["A"], target_reliability=0.95)
    learnt(world, 150.0)
    learnt(world, 120.0, target=0.95)
    world.season("A1", 2026)
    world.season("B1", 2026)
    assert state(world, "A1")[0] == date(2026, 3, 10) + timedelta(days=120)
    assert state(world, "B1")[0] == date(2026, 3, 10) + timedelta(days=150)


def test_a_record_lengthens_nothing_unless_the_policy_says_so(world):
    policy = TolerancePolicy.objects.create(default_interval_days=100)
    learnt(world, 150.0)
    world.season("A1", 2026)
    assert state(world, "A1") == (date(2026, 3, 10) + timedelta(days=100), "interval")
    policy.longest_interval_days = 140
    policy.save()
    due.refresh(everybody(world), now=NOW)
    assert state(world, "A1") == (date(2026, 3, 10) + timedelta(days=140), "reliability")


# ── Learning ──────────────────────────────────────────────────────────────────
def test_a_scan_learns_the_bound_and_applies_it(seasoned):
    _scan(full=True)
    row = ModelInterval.objects.get()
    assert (row.outcomes, row.beyond, row.basis) == (SENSORS, OUT, "exponential")
    assert row.applied

    # Everybody was looked at after one year: 18 of 24 were good. The one-sided profile bound of
    # such a share, written out here: where the log-likelihood falls by z^2 / 2.
    def fall(share):
        def likelihood(p):
            return (SENSORS - OUT) * math.log(p) + OUT * math.log(1 - p)

        return 2 * (likelihood(1 - OUT / SENSORS) - likelihood(share)) - norm.ppf(0.9) ** 2

    share = brentq(fall, 0.2, 1 - OUT / SENSORS - 1e-6)
    days = YEAR * math.log(0.9) / math.log(share)
    assert row.lower_days == pytest.approx(days, rel=0.01)
    assert state(seasoned, "A-20") == (
        date(2026, 3, 10) + timedelta(days=int(row.lower_days)),
        "reliability",
    )
    # Nothing differs from what a scan would store, and a further scan writes nothing.
    before = sorted(DueState.objects.values_list())
    _scan(full=True)
    assert sorted(DueState.objects.values_list()) == before


def _scan(*, full=False, now=NOW):
    row = scan.start(full=full, now=now)
    scan.work_off(row, clock=Clock(now))
    return row


def test_too_little_is_said_to_be_too_little(world):
    world.season("A1", 2025)
    world.season("A1", 2026)
    assert settle_intervals(everything=True, now=NOW) == []
    row = ModelInterval.objects.get()
    assert (row.basis, row.lower_days, row.outcomes) == ("default", None, 1)
    assert state(world, "A1") == (date(2027, 3, 10), "interval")


def test_it_is_learnt_again_when_a_tenth_is_new_or_a_policy_asks(seasoned):
    settle_intervals(everything=False, now=NOW)
    moment = NOW + timedelta(days=1)
    settle_intervals(everything=False, now=moment)
    assert ModelInterval.objects.get().learnt_at == NOW
    policy = TolerancePolicy.objects.create(dealer=seasoned.dealers["B"], target_reliability=0.8)
    settle_intervals(everything=False, now=moment)
    assert set(ModelInterval.objects.values_list("target", "learnt_at")) == {
        (0.9, moment),
        (0.8, moment),
    }
    policy.delete()
    settle_intervals(everything=False, now=moment + timedelta(days=1))
    assert ModelInterval.objects.get().target == 0.9


def test_another_tolerance_has_the_outcomes_counted_anew(seasoned):
    settle_intervals(everything=False, now=NOW)
    policy = TolerancePolicy.objects.create(slope_tolerance_pct=50)
    mark_rule_changed(policy, now=NOW)
    assert StaleSensor.objects.exists()
    _scan(now=NOW + timedelta(days=1))
    row = ModelInterval.objects.get()
    assert (row.beyond, row.lower_days) == (0, None)
    assert state(seasoned, "A-20")[1] == "interval"


def test_a_scan_that_dies_before_applying_is_made_good(seasoned, monkeypatch):
    def dies(*args, **kwargs):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(intervals.due, "refresh", dies)
        with pytest.raises(KeyboardInterrupt):
            settle_intervals(everything=True, now=NOW)
    assert not ModelInterval.objects.get().applied
    assert state(seasoned, "A-20")[1] == "interval"
    assert settle_intervals(everything=False, now=NOW) == [seasoned.sensor_model.pk]
    assert state(seasoned, "A-20")[1] == "reliability"


def further(world, first, count):
    """Add so many sensors."""
    for n in range(first, first + count):
        world.add_sensor(f"A-further-{n}")
    due.catch_up(now=NOW)


def test_the_number_of_queries_does_not_grow_with_the_fleet(seasoned):
    further(seasoned, 0, together.MOST)  # of fewer, tables are read together
    settle_intervals(everything=True, now=NOW)

    def counted():
        ModelInterval.objects.update(calibrations=0, applied=False)
        with CaptureQueriesContext(connection) as queries:
            settle_intervals(everything=True, now=NOW)
        return len(queries)

    before = counted()
    further(seasoned, together.MOST, 20)
    assert counted() <= before


# ── Why ───────────────────────────────────────────────────────────────────────
def test_every_day_that_competed_is_named_with_its_reason(world):
    world.season("A1", 2026)
    dealer = world.dealers["A"]
    registry.edit(dealer, scope=SYSTEM, country="PL")
    learnt(world, 210.4)
    found = due.reasons([world.sensors["A1"].pk])[world.sensors["A1"].pk]
    assert (found.due_on, found.decided_by) == (date(2026, 10, 6), "reliability")
    assert [(each.reason, each.on) for each in found.candidates] == [
        ("reliability", date(2026, 10, 6)),
        ("interval", date(2027, 3, 10)),
        ("season", date(2027, 3, 19)),
    ]
    assert found.says.startswith("Sensors of LC-500: for 210 days 90 % of them stay in tolerance")
    assert "120 as-found outcomes, 14 of them out" in found.says
    assert found.candidates[2].says == (
        "The last working day before seeding starts on 2027-03-20, with the holidays of PL."
    )


def test_one_that_was_never_calibrated_and_one_that_sits_nowhere(world):
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A2"], removed_on=date(2026, 4, 1)
    )
    found = due.reasons([world.sensors["A1"].pk, world.sensors["A2"].pk])
    assert list(found) == [world.sensors["A1"].pk]
    assert (
        "never calibrated where it sits now (installed on 2020-01-01)"
        in found[world.sensors["A1"].pk].says
    )
    assert due.reasons([]) == {}


def test_what_is_said_is_what_is_stored(seasoned):
    _scan(full=True)
    told = due.reasons(everybody(seasoned))
    stored = {row.sensor_id: (row.due_on, row.decided_by) for row in DueState.objects.all()}
    assert {pk: (one.due_on, one.decided_by) for pk, one in told.items()} == stored
