"""When the fleet is asked again what its sensors do: counted by what was recorded since."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from calibration import learning, readout, records
from calibration.models import Calibration, LotPrior, SensorModelNoise
from calibration.records import PointDraft
from fleet.models import SensorModel
from tests.conftest import NOW, SYSTEM

DAY = timedelta(days=1)


@pytest.fixture
def looked_at(monkeypatch):
    """The models whose histories are read, in order."""
    found, read = [], learning._lives

    def noted(model):
        found.append(model)
        return read(model)

    monkeypatch.setattr(learning, "_lives", noted)
    return found


def record(world, count, now, start=0):
    """Record so many calibrations at a moment, of many days ago."""
    names = sorted(world.sensors)
    for number in range(start, start + count):
        when = datetime(2022, 3, 1, 9, tzinfo=UTC) + number * DAY
        draft = world.draft(names[number % len(names)], performed_at=when)
        records.record_calibration(draft, scope=SYSTEM, now=now)


def row(world):
    return SensorModelNoise.objects.get(pk=world.sensor_model.pk)


def test_a_model_is_looked_at_again_when_a_tenth_is_new(world, looked_at):
    model = world.sensor_model.pk
    record(world, 18, NOW)
    learning.learn(now=NOW)
    assert looked_at == [model]
    assert (row(world).calibrations, row(world).learnt_at) == (18, NOW)
    learning.learn(now=NOW + DAY)
    record(world, 1, NOW + DAY, start=18)  # 1 of 19
    learning.learn(now=NOW + 2 * DAY)
    assert looked_at == [model]
    assert (row(world).calibrations, row(world).learnt_at) == (18, NOW)
    record(world, 1, NOW + 2 * DAY, start=19)  # 2 of 20: counted with the one before
    learning.learn(now=NOW + 3 * DAY)
    assert looked_at == [model, model]
    assert (row(world).calibrations, row(world).learnt_at) == (20, NOW + 3 * DAY)
    assert Calibration.objects.count() == 20


def test_a_record_of_the_moment_of_learning_is_counted_once(world):
    record(world, 9, NOW)
    learning.learn(now=NOW)
    record(world, 1, NOW + DAY, start=9)
    known = {row(world).pk: row(world)}
    assert learning.calibrations_of(known, NOW) == {world.sensor_model.pk: 9}
    assert learning.calibrations_of(known, NOW + DAY) == {world.sensor_model.pk: 10}
    assert learning.calibrations_of({}, NOW + DAY) == {world.sensor_model.pk: 10}


def test_models_learnt_at_different_moments_are_each_counted_since_theirs(world):
    other = SensorModel.objects.create(name="LC-900", rated_load=300.0, load_unit="daN")
    record(world, 10, NOW)
    learning.learn(now=NOW)
    world.sensors["B1"].model = other
    world.sensors["B1"].save()
    world.season("B1", 2026)  # at NOW
    learning.learn(now=NOW + DAY)
    record(world, 8, NOW + 2 * DAY, start=100)  # one for each sensor
    known = SensorModelNoise.objects.in_bulk()
    assert {pk: each.learnt_at for pk, each in known.items()} == {
        world.sensor_model.pk: NOW,
        other.pk: NOW + DAY,
    }
    before = {pk: each.calibrations for pk, each in known.items()}
    after = learning.calibrations_of(known, NOW + 2 * DAY)
    # B1's one at NOW belongs to what its model had when it was learnt
    assert after == {
        world.sensor_model.pk: before[world.sensor_model.pk] + 7,
        other.pk: before[other.pk] + 1,
    }


def test_what_was_learnt_before_moments_were_kept_is_learnt_once_more(world, looked_at):
    record(world, 9, NOW)
    learning.learn(now=NOW)
    SensorModelNoise.objects.update(learnt_at=None)
    learning.learn(now=NOW + DAY)
    assert looked_at == [world.sensor_model.pk] * 2
    assert row(world).learnt_at == NOW + DAY


def test_a_hundredth_more_is_looked_at_when_everything_is_asked_for(world, looked_at):
    record(world, 16, NOW)
    learning.learn(now=NOW)
    learning.learn(everything=True, now=NOW + DAY)
    assert looked_at == [world.sensor_model.pk]
    record(world, 1, NOW + DAY)
    learning.learn(now=NOW + 2 * DAY)
    assert looked_at == [world.sensor_model.pk]
    learning.learn(everything=True, now=NOW + 2 * DAY)
    assert looked_at == [world.sensor_model.pk] * 2


def test_another_method_learns_anew_and_the_same_gives_the_same(world, looked_at):
    record(world, 16, NOW)
    learning.learn(now=NOW)
    SensorModelNoise.objects.update(method="another/1")
    assert learning.learn(now=NOW + DAY) == []
    assert looked_at == [world.sensor_model.pk] * 2


def test_a_night_without_records_reads_no_history_and_writes_nothing(world):
    SensorModel.objects.create(name="LC-900", rated_load=300.0, load_unit="daN")  # of nobody
    record(world, 16, NOW)
    learning.learn(now=NOW)
    with CaptureQueriesContext(connection) as queries:
        assert learning.learn(now=NOW + DAY) == []
    assert len(queries) == 4  # what is known, what is new, models without, and of these
    assert all(query["sql"].startswith("SELECT") for query in queries)


def test_sensors_without_calibrations_teach_nothing(world, looked_at):
    assert learning.learn(everything=True, now=NOW) == []
    assert looked_at == []
    record(world, 3, NOW)
    assert learning._lives(world.sensor_model.pk).series.first.size > 0
    assert learning._lives(world.sensor_model.pk + 999) is None


def test_noise_and_first_numbers_are_kept_together_or_not_at_all(world, looked_at, monkeypatch):
    def killed(*_):
        raise KeyboardInterrupt

    record(world, 18, NOW)
    monkeypatch.setattr(learning, "_keep_priors", killed)
    with pytest.raises(KeyboardInterrupt):
        learning.learn(everything=True, now=NOW)
    assert not SensorModelNoise.objects.exclude(learnt_at=None).exists()
    monkeypatch.undo()
    assert learning.learn(everything=True, now=NOW) == [world.sensor_model.pk]


def test_cells_of_no_lot_are_nobodys_siblings(world):
    """A first calibration is compared with a lot only where the cell is of one."""
    for number in range(12):
        world.add_sensor(f"A{number:02}n")
        world.season(f"A{number:02}n", 2026)
        world.add_sensor(f"A{number:02}m", lot="L7")
        world.season(f"A{number:02}m", 2026)
    learning.learn(now=NOW + DAY)
    assert set(LotPrior.objects.values_list("lot", flat=True)) == {"L7"}
    half = (PointDraft(0, 20000), PointDraft(100, 25000))
    verdicts = {}
    for name, lot in (("A90n", ""), ("A90m", "L7")):
        world.add_sensor(name, lot=lot)
        made = world.season(name, 2026, points=half).calibration
        verdicts[lot] = readout.calibration_answer(made, SYSTEM)
    assert (verdicts[""]["verdict"], verdicts[""]["against_expected"]) == ("within", {})
    assert verdicts["L7"]["verdict"] == "watch"
    assert verdicts["L7"]["against_expected"]["rests_on"] == "lot"
    said = " ".join(each["says"] for each in verdicts["L7"]["explain"])
    assert "model and lot" in said
    assert "tag" not in said
