"""How long a model lasts, from rows; the numbers are published ones, fed through the database."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import numpy as np
import pytest
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight

from calibration import fleetwide
from calibration.fleetwide.lasting import band, curve, outcomes_of
from calibration.metrology.turnbull import estimate_survival
from calibration.models import Calibration, Judgement, TolerancePolicy
from calibration.records import PointDraft
from fleet.models import Sensor
from tests.conftest import NOW, SYSTEM
from tests.metrology.published import agrees, column, expected
from tests.metrology.test_interval import right_censored
from tests.shared_world import upon_the_world

START = datetime(2024, 3, 10, 9, 0, tzinfo=UTC)


def look_at(sensors, days, out, *, start=START, trusted=True, stage="as_found"):
    """Store, for each sensor, a calibration and a judged one so many days after it."""
    records, judged = [], []
    for sensor, day, beyond in zip(sensors, days, out, strict=True):
        pair = [
            Calibration(
                id=uuid4(), sensor=sensor, dealer_id=sensor.dealer_id, performed_at=at,
                sensor_serial=sensor.serial, stage=stage, load_unit="daN", reading_unit="count",
                recorded_at=NOW, chain_number=number, content_digest="0", digest="0",
            )
            for number, at in enumerate((start, start + timedelta(days=float(day))))
        ]  # fmt: skip
        records += pair
        judged.append(
            Judgement(
                calibration=pair[1], sensor=sensor, performed_at=pair[1].performed_at,
                previous=pair[0], first=pair[0], season=2025, segment=1,
                verdict="beyond" if beyond else "within", trusted=trusted, method="test",
                slope_tolerance_pct=3.0, offset_tolerance=4.0,
            )
        )  # fmt: skip
    Calibration.objects.bulk_create(records)
    Judgement.objects.bulk_create(judged)


def sensors_of(world, count, *, dealer="A", lot="", prefix="N"):
    """Register many sensors at once."""
    return Sensor.objects.bulk_create(
        Sensor(
            dealer=world.dealers[dealer], model=world.sensor_model, serial=f"{prefix}{i}", lot=lot
        )
        for i in range(count)
    )


def ask(world, scope=SYSTEM):
    return fleetwide.reliability(world.sensor_model, scope=scope, now=NOW)


@upon_the_world
def wheels(world):
    """432 turbine wheels, each inspected once; a hundred hours stand for a day."""
    days, cracked, sound = column(
        "meeker_escobar", "turbine.csv", "hundred_hours", "cracked", "not_cracked"
    )
    each = np.concatenate(
        [np.repeat(days, cracked.astype(int)), np.repeat(days, sound.astype(int))]
    )
    out = np.arange(len(each)) < cracked.sum()
    assert len(each) == 432
    look_at(sensors_of(world, 432), each, out)
    return world


@pytest.mark.golden
def test_turbine_wheels_through_the_database(wheels):
    """Meeker and Escobar (1998), table 1.5: current status data; see fixtures/golden."""
    source, found = expected("meeker_escobar")["turbine"], ask(wheels)
    assert (found["observations"], found["out"], found["sensors"]) == (432, 106, 432)
    assert found["basis"] == "weibull"
    assert agrees(found["law"]["shape"], source["shape"])
    assert agrees(found["law"]["scale_days"], source["scale"])
    shape, scale = float(source["shape"]), float(source["scale"])
    days = scale * (-np.log(0.9)) ** (1 / shape)
    assert found["interval_days"] == pytest.approx(days, rel=1e-5)
    assert found["lower_bound_days"] < days
    assert found["target"] == 0.9
    assert (
        f"90 % of the sensors are still in tolerance after {days:.0f} days. With"
        in (found["says"])
    )
    assert f"at least {int(found['lower_bound_days'])} days;" in found["says"]
    assert "432 as-found outcomes, 106 of them out" in found["says"]


@pytest.mark.golden
def test_the_curve_of_the_turbine_wheels(wheels):
    """Turnbull's estimate is the isotonic regression of the shares cracked."""
    points = ask(wheels)["curve"]
    value = {point["days"]: 1.0 - point["probability"] for point in points}
    shares = {
        day: float(share) for day, share in expected("meeker_escobar")["turbine"]["isotonic"]
    }
    assert value[0.0] == 0.0
    assert set(value) - {0.0} <= set(shares)
    for day in set(value) - {0.0}:
        assert value[day] == pytest.approx(shares[day], abs=1e-7)
    assert all(point["low"] <= point["probability"] <= point["high"] for point in points)
    # nobody was out at the first inspection, and those found good later were good then
    at_four = next(point for point in points if point["days"] == 4.0)
    known = 432 - 106
    assert at_four["low"] == pytest.approx(stats.binomtest(known, known).proportion_ci().low)
    assert at_four["high"] == 1.0


def test_the_band_by_scipy():
    rng = np.random.default_rng(21)
    time, end = np.ceil(rng.weibull(1.5, 300) * 50), np.ceil(rng.uniform(5, 80, 300))
    seen, left = np.minimum(time, end), time <= end
    ours = estimate_survival(right_censored(seen, left))
    data = stats.CensoredData(uncensored=seen[left], right=seen[~left])
    theirs = stats.ecdf(data).sf.confidence_interval(0.95, method="log-log")
    sf = SurvfuncRight(seen, left.astype(int))
    np.testing.assert_allclose(ours.survival[: len(sf.surv_prob)], sf.surv_prob, atol=2e-7)
    k = int((ours.survival > 0.01).sum())
    low, high = band(ours.survival[:k], ours.u_survival[:k])
    np.testing.assert_allclose(low, theirs.low.evaluate(ours.right[:k]), rtol=2e-4)
    np.testing.assert_allclose(high, theirs.high.evaluate(ours.right[:k]), rtol=2e-4)


def test_the_band_covers_as_said():
    """Each sensor looked at once after 300 d; the truth there is 0.85."""
    rng, covered = np.random.default_rng(22), []
    for _ in range(1000):
        out = rng.random(150) > 0.85
        n = np.arange(150)
        outcomes = outcomes_of(n, np.zeros(150), np.full(150, 300 * 86400.0), out)
        point = curve(estimate_survival(outcomes), outcomes)[-1]
        assert point["days"] == 300.0
        covered.append(point["low"] <= 0.85 <= point["high"])
    assert np.mean(covered) == pytest.approx(0.95, abs=0.02)


def looks(*rows):
    """Outcomes of (sensor, before, at, out) in days, as (lower, upper, weight)."""
    sensor, before, at, out = (np.array(column) for column in zip(*rows, strict=True))
    found = outcomes_of(sensor, before * 86400.0, at * 86400.0, out.astype(bool))
    return list(
        zip(found.lower.tolist(), found.upper.tolist(), found.weight.tolist(), strict=True)
    )


def test_what_looks_say():
    inf = np.inf
    assert looks((1, 0.0, 365.2, False)) == [(365.0, inf, 1.0)]
    assert looks((1, 0.0, 365.2, True)) == [(0.0, 365.0, 1.0)]
    # good, then out against the same numbers: it left in between; a repeat says nothing new
    assert looks((1, 0.0, 400.0, True), (1, 0.0, 200.0, False), (1, 0.0, 401.0, False)) == [
        (200.0, 400.0, 1.0)
    ]
    # on one and the same day
    assert looks((1, 0.0, 365.0, False), (1, 0.0, 365.3, True)) == [(364.0, 365.0, 1.0)]
    # the clock starts anew with new numbers; equal outcomes are counted together
    assert looks((1, 0.0, 365.0, False), (1, 365.0, 730.0, False), (2, 0.0, 365.0, True)) == [
        (0.0, 365.0, 1.0),
        (365.0, inf, 2.0),
    ]
    assert looks((1, 5.0, 5.0, True), (2, 0.0, 0.2, False)) == [(1.0, inf, 1.0)]


def test_few_data_say_so(world):
    TolerancePolicy.objects.create(
        sensor_model=world.sensor_model, default_interval_days=300, target_reliability=0.8
    )
    nothing = ask(world)
    assert (nothing["observations"], nothing["curve"], nothing["law"]) == (0, [], None)
    assert (nothing["basis"], nothing["interval_days"]) == ("default", 300.0)
    look_at(sensors_of(world, 12), [365] * 12, [True] * 6 + [False] * 6)
    few = ask(world)
    assert (few["basis"], few["target"], few["interval_days"]) == ("default", 0.8, 300.0)
    assert few["lower_bound_days"] == 300.0
    assert "The default of 300 days holds" in few["says"]
    assert "12 as-found outcomes, 6 of them out of tolerance" in few["says"]
    assert "20, with 5 out, are needed" in few["says"]
    # 6 of 12 are in tolerance after a year, as the exact binomial share is
    assert few["curve"][-1]["probability"] == pytest.approx(0.5)


def test_one_and_the_same_interval_tells_no_shape(world):
    look_at(sensors_of(world, 400), [365] * 400, np.arange(400) < 40)
    found = ask(world)
    assert found["basis"] == "exponential"
    assert found["interval_days"] == pytest.approx(365.0, rel=1e-9)  # 10 % out, just there
    assert "do not tell the shape" in found["says"]


def test_a_limit_is_not_said_to_be_the_estimate(world):
    """2 % out at one year: by an exponential law 90 % last 365 ln 0.9 / ln 0.98 days."""
    look_at(sensors_of(world, 400), [365] * 400, np.arange(400) < 8)
    found = ask(world)
    estimate = 365 * np.log(0.9) / np.log(0.98)
    assert found["interval_days"] == 365.0
    assert (
        f"90 % of the sensors are still in tolerance after {estimate:.0f} days." in (found["says"])
    )
    assert "No more than 365 days are made of that: nobody has looked later." in found["says"]
    assert "With 90 % confidence it is at least 365 days;" in found["says"]


def test_what_tells_nothing_of_the_sensor_takes_no_part(world):
    sensors = sensors_of(world, 6)
    look_at(sensors[:2], [365, 365], [True, True], trusted=False)
    look_at(sensors[2:4], [365, 365], [True, True], stage="as_left")
    look_at(sensors[4:], [365, 365], [True, True], start=NOW)
    assert ask(world)["observations"] == 0


def test_another_dealer_s_data_do_not_enter(world):
    TolerancePolicy.objects.create(dealer=world.dealers["B"], target_reliability=0.7)
    look_at(sensors_of(world, 30, prefix="A"), [365] * 30, np.arange(30) < 6)
    look_at(sensors_of(world, 50, dealer="B", prefix="B"), [200] * 50, np.arange(50) < 25)
    a, b, all_ = (ask(world, world.scopes[name]) for name in ("techA", "managerB", "reviewer"))
    assert (a["observations"], a["out"], a["target"]) == (30, 6, 0.9)
    assert (b["observations"], b["out"], b["target"]) == (50, 25, 0.7)
    assert (all_["observations"], all_["out"], all_["target"]) == (80, 31, 0.9)
    assert {point["days"] for point in a["curve"]} == {0.0, 365.0}


def test_recorded_calibrations_become_outcomes(world):
    """Through the records: verdicts, not made-up rows."""
    for which, span in (("A1", 10000), ("A1b", 9300), ("A2", 10010)):
        world.season(which, 2024)
        world.season(which, 2025, points=(PointDraft(0, 20000), PointDraft(100, 20000 + span)))
    found = ask(world)
    assert (found["observations"], found["out"], found["sensors"]) == (3, 1, 3)
    assert [point["days"] for point in found["curve"]] == [0.0, 365.0]
