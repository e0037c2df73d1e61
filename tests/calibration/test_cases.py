"""A case: the same bits in any company, rules by model and dealer, what the operator felt."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.arrays import History
from calibration.cases import Case, take_state, worst_felt
from calibration.metrology import felt, pairing
from calibration.metrology.fit import Points, fit_lines
from calibration.policies import Rule
from calibration.references import References
from calibration.tending import tend

MODELS, DEALERS = 5, 4


class Rules:
    """Another rule for every model and dealer; one model has no setpoints, others several."""

    def rule(self, sensor_model_id: int, dealer_id: int) -> Rule:
        setpoints = tuple(300.0 * (i + 1) for i in range(sensor_model_id % 3))
        tolerance = 2.0 + sensor_model_id / 10.0, 1.0 + dealer_id / 10.0
        return Rule(*tolerance, 0.5, 0.3, 0.8 + dealer_id / 100.0, 365, None, setpoints, "N", None)


def history(sensors: int, seed: int = 3) -> History:
    rng = np.random.default_rng(seed)
    length = rng.integers(1, 16, sensors)
    count = int(length.sum())
    sensor = np.repeat(np.arange(1, sensors + 1), length)
    number = np.arange(count) - np.repeat(np.cumsum(length) - length, length)
    counts = rng.choice([2, 2, 2, 3, 5], count)
    which = np.repeat(np.arange(count), counts)
    load = (np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)) * 800.0
    slope = 7.0 * (1 + rng.normal(0, 0.01, count))
    reading = 18_000.0 + slope[which] * load + rng.normal(0, 30, len(load))
    reference = rng.integers(-1, 3, count)
    points = Points(load, reading, np.zeros_like(load), np.full(len(load), 40.0), counts)
    return History(
        ids=np.frombuffer(b"".join(i.to_bytes(16, "big") for i in range(count)), dtype="V16"),
        sensor=sensor,
        model=np.repeat(rng.integers(1, MODELS + 1, sensors), length),
        dealer=np.repeat(rng.integers(1, DEALERS + 1, sensors), length),
        moment=np.zeros(count, dtype=np.int64),
        day=10_000.0 + 365.0 * number + rng.integers(0, 60, count),
        date=10_000 + 365 * number,
        season=2000 + number - (rng.random(count) < 0.1),
        starts_segment=rng.random(count) < 0.05,
        superseded=rng.random(count) < 0.05,
        as_found=np.ones(count, dtype=bool),
        installation=sensor,
        reference=reference,
        reference_pct=np.where(reference < 0, 1.0, 0.3),
        references=References(np.arange(-1, 3), np.array([1.0, 0.3, 0.3, 0.3]), ("UTC",) * 4),
        rated_load=np.full(count, 5000.0),
        lot=np.full(count, "L1"),
        extras={},
        points=points,
    )


def alone(whole: History, sensor: int) -> History:
    rows = np.flatnonzero(whole.sensor == sensor)
    points = whole.points
    own = np.repeat(whole.sensor == sensor, points.counts)
    columns = (points.load, points.reading, points.u_load, points.u_reading)
    kept = Points(*(column[own] for column in columns), points.counts[rows])
    return replace(whole.take(rows), points=kept)


def case_of(these: History) -> Case:
    return Case(these, fit_lines(these.points, these.reference_pct), Rules())


def columns(case: Case) -> dict[str, np.ndarray]:
    believed = np.ones(len(case.history), dtype=bool)
    limits = case.limits.slope_pct, case.limits.reliability
    trend = tend(case.history, case.state, case.pairs, limits, believed)
    parts = (case.state, case.change, case.since_first, trend)
    found = {f"{part.__class__.__name__}{i}.{name}": values
             for i, part in enumerate(parts) for name, values in vars(part).items()}  # fmt: skip
    return {**found, "felt": worst_felt(case)}


def test_one_sensor_alone_gives_the_bits_of_the_batch():
    whole = history(400)
    many = case_of(whole)
    assert len(many.history) > pairing.MANY
    batch = columns(many)
    assert np.isfinite(batch["Tendency3.earliest_crossing"]).any()
    for sensor in range(1, 401, 7):
        rows = many.history.sensor == sensor
        for name, values in columns(case_of(alone(whole, sensor))).items():
            np.testing.assert_array_equal(values, batch[name][rows], err_msg=name)


def test_every_calibration_has_the_rule_of_its_model_and_dealer():
    case = case_of(history(60))
    limits, rows = case.limits, case.history
    assert len(set(zip(rows.model.tolist(), rows.dealer.tolist(), strict=True))) > 10
    for i in range(len(rows)):
        rule = Rules().rule(int(rows.model[i]), int(rows.dealer[i]))
        assert limits.slope_pct[i] == rule.slope_tolerance_pct
        assert limits.offset[i] == rule.offset_tolerance_pct / 100.0 * rows.rated_load[i]
        assert limits.reliability[i] == rule.target_reliability
        setpoints = limits.setpoints[:, i]
        assert tuple(setpoints[~np.isnan(setpoints)]) == rule.setpoints_n


def test_the_second_of_a_segment_has_changed_as_much_since_the_first():
    case = case_of(history(60))
    second = (case.pairs.first != pairing.NONE) & (case.pairs.first == case.pairs.previous)
    none = case.pairs.first == pairing.NONE
    for name, since in vars(case.since_first).items():
        change = getattr(case.change, name)
        np.testing.assert_array_equal(since[second], change[second])
        assert np.isnan(since[none]).all()
        assert np.isfinite(since[~none]).all()


def test_worst_felt_is_the_largest_of_what_is_shown_at_each_setpoint():
    case = case_of(history(60))
    worst = worst_felt(case)
    unknown = case.pairs.previous == pairing.NONE
    assert np.isnan(worst[unknown]).all()
    for i in np.flatnonzero(~unknown):
        setpoints = case.limits.setpoints[:, i]
        setpoints = setpoints[~np.isnan(setpoints)][None, :]
        if not setpoints.size:
            assert np.isnan(worst[i])
            continue
        old, new = (take_state(case.state, np.array([at])) for at in (case.pairs.previous[i], i))
        shown = felt.at_setpoints(old, new, setpoints)
        assert worst[i] == pytest.approx((np.abs(shown.error) / setpoints).max() * 100, rel=1e-12)
