"""Due days: the rule, and the rows that follow from it.

Working days are checked against numpy's business-day calendar. That a moved or replaced cell has
to be calibrated where it sits now is common practice, no source.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from calibration import due, following, records
from calibration.due.days import due_days
from calibration.models import (
    DueState,
    Judgement,
    Reminder,
    TolerancePolicy,
    Visit,
    VisitLine,
)
from fleet import registry
from fleet.models import ChangedSeat, Machine
from tests.calibration.due_rule import One
from tests.calibration.test_due_arrays import arrays, in_words
from tests.conftest import NOW, SYSTEM, build_world
from tests.side_by_side import at_once

SEATED = date(2020, 1, 1)


def basis(calibrated_on, *, start="03-20", interval=365, model=0, crossing=None, country=""):
    return One(SEATED, calibrated_on, interval, model, crossing, start, country)


def out_of_step():
    """Return the sensors that were installed, moved or removed and not caught up with."""
    return sorted(set(ChangedSeat.objects.values_list("sensor", flat=True)))


def due_day(one):
    return in_words(*due_days(arrays([one])))[0]


def state(world, which):
    return DueState.objects.get(sensor=world.sensors[which])


def rows(model):
    return sorted(model.objects.values_list(), key=str)


def refresh(world, *which, now=NOW):
    return due.refresh([world.sensors[name].pk for name in which], now=now)


def record(world, which, performed_at, *, now):
    draft = world.draft(which, performed_at=performed_at)
    return records.record_calibration(draft, scope=SYSTEM, now=now)


# ── What counts ───────────────────────────────────────────────────────────────
def lines(span):
    return (records.PointDraft(0, 20000), records.PointDraft(100, span))


def test_numbers_that_are_to_be_measured_again_begin_no_interval(world):
    for year in (2022, 2023, 2024, 2025):
        world.season("A1", year, points=lines(30000 + year - 2022))
    before, reminder = state(world, "A1"), Reminder.objects.get(sensor=world.sensors["A1"])
    assert before.due_on == date(2026, 3, 10)
    slip = world.season("A1", 2026, load_unit="lbf", points=lines(30002))
    assert not Judgement.objects.get(pk=slip.calibration.pk).trusted
    after = state(world, "A1")
    assert (after.due_on, after.decided_by) == (before.due_on, before.decided_by)
    assert after.last_calibration_id == slip.calibration.pk
    reminder.refresh_from_db()
    assert reminder.status == Reminder.Status.OPEN
    assert refresh(world, "A1").changed == 0  # by what is read as by what was just judged
    (why,) = due.reasons([world.sensors["A1"].pk]).values()
    assert "calibration that counts, on 2025-03-10" in why.says
    record(
        world, "A1", datetime(2026, 3, 12, 9, tzinfo=UTC), now=datetime(2026, 3, 13, tzinfo=UTC)
    )
    assert state(world, "A1").due_on > before.due_on + timedelta(days=300)


# ── The rule ──────────────────────────────────────────────────────────────────
@pytest.mark.parametrize(
    ("given_basis", "expected"),
    [
        (basis(None), (SEATED, "never_calibrated")),
        (basis(date(2026, 3, 10)), (date(2027, 3, 10), "interval")),
        # Calibrated after seeding began: a year later would be too late. 2027-03-20: a Saturday.
        (basis(date(2026, 4, 10)), (date(2027, 3, 19), "season")),
        (basis(date(2026, 3, 10), crossing=date(2026, 9, 1)), (date(2026, 9, 1), "crossing")),
        (basis(date(2026, 3, 10), crossing=date(2030, 9, 1)), (date(2027, 3, 10), "interval")),
        # Expected before it was calibrated: met on the next day, not in the past.
        (basis(date(2026, 3, 10), crossing=date(2026, 3, 1)), (date(2026, 3, 11), "crossing")),
        # Sensors of its model keep the target for 200 days only.
        (basis(date(2026, 3, 10), model=200), (date(2026, 9, 26), "reliability")),
        (
            basis(date(2026, 3, 10), model=200, crossing=date(2026, 9, 1)),
            (date(2026, 9, 1), "crossing"),
        ),
        # A policy that lets the record lengthen the interval; the season comes first.
        (basis(date(2026, 3, 10), interval=180, model=300), (date(2027, 1, 4), "reliability")),
        (basis(date(2026, 3, 10), model=600), (date(2027, 3, 19), "season")),
        # 2027-03-29 is Easter Monday in Poland, the 26th is worked there and not in Germany.
        (basis(date(2026, 4, 10), start="03-30"), (date(2027, 3, 29), "season")),
        (basis(date(2026, 4, 10), start="03-30", country="PL"), (date(2027, 3, 26), "season")),
        (basis(date(2026, 4, 10), start="03-30", country="DE"), (date(2027, 3, 25), "season")),
        # A leap day has no anniversary: 365 days on is the last of February.
        (basis(date(2028, 2, 29)), (date(2029, 2, 28), "interval")),
        # Seeding starts in January: December serves the season to come. 2027-01-10: a Sunday.
        (basis(date(2025, 12, 20), start="01-10", interval=400), (date(2027, 1, 8), "season")),
        (basis(date(2026, 1, 12), start="01-10"), (date(2027, 1, 8), "season")),
        (basis(date(2026, 8, 20), start="10-01", interval=500), (date(2027, 9, 30), "season")),
    ],
)
def test_the_earliest_reason_decides(given_basis, expected):
    assert due_day(given_basis) == expected


@given(
    calibrated_on=st.dates(date(2000, 1, 1), date(2090, 1, 1)),
    start=st.dates(date(2001, 1, 1), date(2001, 12, 31)).map(lambda day: f"{day:%m-%d}"),
    interval=st.integers(1, 2000),
)
def test_a_due_day_is_after_the_calibration_and_before_the_season_after_its_own(
    calibrated_on, start, interval
):
    day, decided_by = due_day(basis(calibrated_on, start=start, interval=interval))
    assert calibrated_on < day <= calibrated_on + timedelta(days=interval)
    assert day - calibrated_on < timedelta(days=366 + 183)
    if decided_by == "season":
        assert f"{day:%m-%d}" != start
        assert np.is_busday(day)
        following = date(day.year + (f"{day:%m-%d}" > start), int(start[:2]), int(start[3:]))
        last = np.busday_offset(following - timedelta(days=1), 0, roll="backward")
        assert day == last.astype(date)


# ── The rows ──────────────────────────────────────────────────────────────────
def test_an_installed_sensor_that_was_never_calibrated_is_due_since_it_was_installed(world):
    assert due.catch_up(now=NOW).changed == 8
    assert (state(world, "A1").due_on, state(world, "A1").decided_by) == (
        SEATED,
        "never_calibrated",
    )
    assert out_of_step() == []


def test_a_calibration_sets_the_due_day_and_names_itself(world):
    calibration = world.season("A1", 2026).calibration
    row = state(world, "A1")
    assert (row.due_on, row.decided_by) == (date(2027, 3, 10), "interval")
    assert row.last_calibration_id == calibration.pk


@pytest.mark.parametrize(
    ("zone", "moment", "local_day"),
    [
        ("Pacific/Apia", datetime(2026, 3, 9, 11, 30, tzinfo=UTC), date(2026, 3, 10)),  # +13
        ("Pacific/Pitcairn", datetime(2026, 3, 10, 7, 59, tzinfo=UTC), date(2026, 3, 9)),  # -8
        # New York, the night of 2026-03-08: 05:30 UTC is 00:30 before clocks go forward.
        ("America/New_York", datetime(2026, 3, 8, 5, 30, tzinfo=UTC), date(2026, 3, 8)),
        ("America/New_York", datetime(2026, 3, 9, 3, 59, tzinfo=UTC), date(2026, 3, 8)),
        # Warsaw, 2025-10-26, the day of 25 hours: 22:59 UTC is still that day.
        ("Europe/Warsaw", datetime(2025, 10, 26, 22, 59, tzinfo=UTC), date(2025, 10, 26)),
    ],
)
def test_the_interval_counts_from_the_dealers_day(world, zone, moment, local_day):
    dealer = world.dealers["A"]
    dealer.timezone = zone
    dealer.save()
    TolerancePolicy.objects.create(default_interval_days=100)
    world.season("A1", 2026, performed_at=moment)
    assert state(world, "A1").due_on == local_day + timedelta(days=100)


def test_an_expected_crossing_pulls_the_due_day_in(world):
    calibration = world.season("A1", 2026).calibration
    Judgement.objects.filter(calibration=calibration).update(earliest_crossing=date(2026, 8, 3))
    assert refresh(world, "A1").changed == 1
    assert (state(world, "A1").due_on, state(world, "A1").decided_by) == (
        date(2026, 8, 3),
        "crossing",
    )
    assert Reminder.objects.get(sensor=world.sensors["A1"]).due_on == date(2026, 8, 3)


def test_a_superseded_calibration_decides_nothing(world):
    earlier = world.season("A1", 2025).calibration
    wrong = world.season("A1", 2026).calibration
    world.season(
        "A1",
        2026,
        performed_at=datetime(2024, 3, 10, 9, tzinfo=UTC),
        supersedes=wrong,
        supersede_reason="the year was mistyped",
    )
    assert state(world, "A1").last_calibration_id == earlier.pk
    assert state(world, "A1").due_on == date(2026, 3, 10)


def test_a_late_older_record_changes_nothing(world):
    newest = world.season("A1", 2026).calibration
    before = rows(DueState), rows(Reminder)
    world.season("A1", 2024)
    assert state(world, "A1").last_calibration_id == newest.pk
    assert (rows(DueState), rows(Reminder)) == before


def test_a_moved_sensor_is_due_where_it_sits_now(world):
    world.season("A1", 2026)
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2026, 4, 1)
    )
    registry.install_sensor(
        scope=SYSTEM,
        sensor=world.sensors["A1"],
        machine=world.machines["A2"],
        position="row 4",
        installed_on=date(2026, 4, 2),
    )
    assert world.sensors["A1"].pk in out_of_step()
    due.catch_up(now=NOW)
    row = state(world, "A1")
    assert (row.due_on, row.decided_by) == (date(2026, 4, 2), "never_calibrated")
    assert row.last_calibration is None
    assert world.sensors["A1"].pk not in out_of_step()


def test_a_removed_sensor_is_due_no_more(world):
    world.season("A1", 2026)
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2026, 4, 1)
    )
    assert world.sensors["A1"].pk in out_of_step()
    assert refresh(world, "A1").changed == 1
    assert not DueState.objects.filter(sensor=world.sensors["A1"]).exists()
    assert Reminder.objects.get(sensor=world.sensors["A1"]).status == "cancelled"
    assert refresh(world, "A1").changed == 0


def test_a_corrected_installation_day_moves_the_due_day(world):
    due.catch_up(now=NOW)
    registry.edit(world.installations["A1"], scope=SYSTEM, installed_on=date(2019, 5, 1))
    assert out_of_step() == [world.sensors["A1"].pk]


def test_a_sensor_that_is_moved_while_others_are_caught_up_with_stays_marked(world, monkeypatch):
    refreshing = due.states.refresh

    def meanwhile(sensor_ids, *, now):
        registry.edit(world.installations["A1"], scope=SYSTEM, installed_on=date(2019, 5, 1))
        return refreshing([], now=now)

    monkeypatch.setattr("calibration.due.states.refresh", meanwhile)
    due.catch_up(now=NOW)
    assert out_of_step() == [world.sensors["A1"].pk]


# ── Reminders ─────────────────────────────────────────────────────────────────
def test_a_calibration_ends_the_reminder_and_opens_the_next(world):
    refresh(world, "A1")
    later = NOW + timedelta(days=3)
    record(world, "A1", later - timedelta(hours=1), now=later)
    done, still_open = Reminder.objects.filter(sensor=world.sensors["A1"]).order_by("pk")
    assert (done.status, done.why) == ("done", "never_calibrated")
    assert done.done_at is not None
    assert (still_open.status, still_open.due_on) == ("open", date(2027, 3, 19))
    before = rows(Reminder)
    assert refresh(world, "A1", now=later).changed == 0
    assert rows(Reminder) == before


def test_a_clock_set_back_ends_no_reminder_twice(world):
    refresh(world, "A1")
    measured = NOW + timedelta(days=3)
    record(world, "A1", measured, now=measured)
    before = rows(Reminder)
    assert refresh(world, "A1", now=measured - timedelta(hours=1)).changed == 0
    assert rows(Reminder) == before


# ── Many at once ──────────────────────────────────────────────────────────────
def test_refreshing_again_writes_nothing(world):
    world.season("A1", 2025)
    world.season("B1", 2025)
    due.catch_up(now=NOW)
    everybody = [sensor.pk for sensor in world.sensors.values()]
    before = rows(DueState), rows(Reminder)
    with CaptureQueriesContext(connection) as queries:
        assert due.refresh(everybody, now=NOW + timedelta(days=1)).changed == 0
    written = [q["sql"] for q in queries if q["sql"].startswith(("INSERT", "UPDATE", "DELETE"))]
    assert written == []
    assert (rows(DueState), rows(Reminder)) == before


def test_the_number_of_queries_does_not_grow_with_the_sensors(world):
    counts = []
    for names in (["A1"], list(world.sensors)):
        with CaptureQueriesContext(connection) as queries:
            refresh(world, *names)
        counts.append(len(queries))
    assert counts[1] <= counts[0]


def test_many_sensors_are_compared_before_any_is_locked(world, monkeypatch):
    one_by_one = [refresh(world, name).changed for name in world.sensors]
    expected = rows(DueState)
    DueState.objects.all().delete()
    monkeypatch.setattr("calibration.due.states.LOCK_AT_ONCE", 2)
    monkeypatch.setattr("calibration.due.states.CHUNK", 3)
    assert refresh(world, *world.sensors).changed == sum(one_by_one) == 8
    assert rows(DueState) == expected
    assert refresh(world, *world.sensors).changed == 0


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_two_at_once_open_one_reminder():
    if connection.vendor != "postgresql":
        pytest.skip("the row lock is PostgreSQL's (DATABASE_URL)")
    world = build_world()
    ids = [sensor.pk for sensor in world.sensors.values()]
    changed = at_once(2, lambda _: due.refresh(ids, now=NOW).changed)
    assert sorted(changed) == [0, 8]
    assert Reminder.objects.count() == DueState.objects.count() == 8


@pytest.mark.parametrize("others", [0, 1])
def test_a_resold_machine_leaves_the_open_visits_to_its_seller(world, others):
    visit = Visit.objects.create(
        customer=world.customers["A1"], season=2026, planned_on=date(2026, 3, 2),
        due_on=date(2026, 3, 10), updated_at=NOW,
    )  # fmt: skip
    sold, kept = world.machines["A1"], Machine.objects.create(
        customer=world.customers["A1"], model=world.machine_model, serial="M-kept"
    )  # fmt: skip
    for machine in (sold, kept)[: 1 + others]:
        VisitLine.objects.create(visit=visit, machine=machine, sensors=1, due_on=visit.due_on)
    following.transfer_machine(scope=SYSTEM, machine=sold, customer=world.customers["B1"], now=NOW)
    visit.refresh_from_db()
    assert list(visit.lines.values_list("machine", flat=True)) == [kept.pk][:others]
    assert visit.status == (Visit.Status.PLANNED if others else Visit.Status.CANCELLED)
    assert visit.cancel_reason == ("" if others else "its last machine was resold")
    world.season("A1", 2026)
    visit.refresh_from_db()
    assert visit.status != Visit.Status.DONE
