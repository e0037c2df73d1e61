"""Events: told with what they tell of, numbered when it is committed, read without a gap."""

import threading
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection, transaction

from calibration import events, flags, records
from calibration.models import Calibration, DriftFlag, Event, Visit
from calibration.scan import run_scan
from tests.conftest import NOW, SYSTEM
from tests.side_by_side import at_once, together

Kind = Event.Kind


def told(*kinds):
    events.number()
    rows = Event.objects.filter(kind__in=kinds) if kinds else Event.objects.all()
    return list(rows.order_by("number"))


def drifted(world, which="A1"):
    """Two seasons, the second 20 % off."""
    first = world.season(which, 2024).calibration
    points = (records.PointDraft(0, 20000), records.PointDraft(100, 32000))
    return first, world.season(which, 2025, points=points).calibration


def test_verdicts_and_flags_of_a_post_are_told(world):
    first, second = drifted(world)
    said = [(each.kind, each.subject, each.data.get("verdict")) for each in told(Kind.VERDICT)]
    assert said == [
        (Kind.VERDICT, str(first.pk), "within"),
        (Kind.VERDICT, str(second.pk), "beyond"),
    ]
    flag = DriftFlag.objects.get(calibration=second, kind="slope")
    (opened,) = [each for each in told(Kind.FLAG_OPENED) if each.subject == str(flag.pk)]
    assert (opened.sensor, opened.dealer) == ("S-A1", world.dealers["A"])
    assert opened.data == {
        "kind": "slope", "level": flag.level, "magnitude": flag.magnitude,
        "tolerance": flag.tolerance, "p_out": flag.p_out, "calibration": str(second.pk),
        "functional_test": None,
    }  # fmt: skip


def test_a_person_who_closes_a_flag_and_a_scan_that_finds_it_gone_are_told(world):
    _, second = drifted(world)
    flag = DriftFlag.objects.filter(calibration=second).earliest("pk")
    user = world.users["managerA"].pk
    flags.close(flag, user_id=user, reason="the cell was replaced", now=NOW)
    (closed,) = told(Kind.FLAG_CLOSED)
    assert closed.subject == str(flag.pk)
    right = (records.PointDraft(0, 20000), records.PointDraft(100, 30000))
    draft = world.draft(
        performed_at=second.performed_at, supersedes=second, supersede_reason="misread",
        points=right,
    )  # fmt: skip
    records.record_calibration(draft, scope=SYSTEM, now=NOW)
    open_before = {str(each.pk) for each in DriftFlag.objects.filter(closed_by=None)}
    assert open_before <= {each.subject for each in told(Kind.FLAG_CLOSED)}
    (event,) = told(Kind.SUPERSEDED)
    newer = Calibration.objects.get(supersedes=second)
    assert (event.subject, event.data) == (str(second.pk), {"superseded_by": str(newer.pk)})


def test_a_later_verdict_that_changed_is_told_with_what_it_was(world):
    points = (records.PointDraft(0, 20000), records.PointDraft(100, 32000))
    late = world.season("A1", 2025, points=points).calibration
    world.season("A1", 2024)
    (changed,) = [each for each in told(Kind.VERDICT) if each.data["verdict_before"]]
    assert changed.subject == str(late.pk)
    assert changed.data == {"verdict": "beyond", "verdict_before": "within"}


def test_a_scan_of_an_unchanged_fleet_tells_nothing(world):
    drifted(world)
    run_scan(full=True, now=NOW)
    before = Event.objects.count()
    run_scan(full=True, now=NOW)
    run_scan(now=NOW)
    assert Event.objects.count() == before


def test_visits_are_told_without_the_customer_s_name(world):
    visit = Visit.objects.create(
        customer=world.customers["A1"], season=2027, planned_on=date(2027, 2, 1),
        due_on=date(2027, 3, 1), updated_at=NOW,
    )  # fmt: skip
    visit.note = "ring first"
    visit.save(update_fields=["note"])  # nobody has to come on another day
    visit.planned_on = date(2027, 2, 3)
    visit.save(update_fields=["planned_on", "updated_at"])
    rows = told(Kind.VISIT_PLANNED)
    assert [row.data["planned_on"] for row in rows] == ["2027-02-01", "2027-02-03"]
    assert world.customers["A1"].name not in str([row.data for row in rows])


def test_what_was_rolled_back_never_happened(world):
    with transaction.atomic():
        drifted(world)
        assert Event.objects.exists()
        transaction.set_rollback(True)
    assert told() == []


def test_numbers_go_on_when_old_events_are_gone(world):
    drifted(world)
    last = told()[-1].number
    later = NOW + timedelta(days=401)
    assert events.forget_old(now=later) == last - 1
    world.season("A2", 2024)
    assert [row.number for row in told()][:2] == [last, last + 1]


def of(world, subject):
    return Event(
        dealer=world.dealers["A"], kind=Kind.TEST, at=datetime(2026, 4, 1, tzinfo=UTC),
        subject=subject,
    )  # fmt: skip


@pytest.mark.django_db(transaction=True)
def test_what_is_committed_late_is_read_after_what_was_read(world):
    """The earlier key is committed after the later one: a reader by keys would miss it."""
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has one writer at a time")
    slow_has_written, quick_was_read = threading.Event(), threading.Event()

    def slow():
        with transaction.atomic():
            of(world, "slow").save()
            slow_has_written.set()
            assert quick_was_read.wait(timeout=60)

    def quick():
        assert slow_has_written.wait(timeout=60)
        of(world, "quick").save()
        (row,) = told(Kind.TEST)
        quick_was_read.set()
        return row.number

    (number,) = filter(None, together(slow, quick))
    rows = told(Kind.TEST)
    assert [row.subject for row in rows] == ["quick", "slow"]
    assert rows[0].pk > rows[1].pk
    assert rows[0].number == number < rows[1].number


@pytest.mark.django_db(transaction=True)
def test_many_who_number_at_once_give_each_number_once(world):
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has one writer at a time")

    def write(who):
        for number in range(20):
            of(world, f"{'abcdef'[who]}{number}").save()
            events.number()

    at_once(6, write)
    numbers = [row.number for row in told(Kind.TEST)]
    assert len(numbers) == 120
    assert numbers == list(range(numbers[0], numbers[0] + 120))
