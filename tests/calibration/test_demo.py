"""The invented fleet: every planted story is found, and the rest of the fleet is left in peace.

What was planted is known to the simulation and to nothing else in the project, so finding it is a
check of the whole chain from the typed points to the flag.
"""

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest
from django.db import transaction

from calibration.demo import layout, load, report, simulate
from calibration.demo.mistakes import written_down
from calibration.demo.scenario import DEALERS, SENSOR_TYPES, SIGN_INS
from calibration.demo.stories import FAILING_MACHINE, STORIES, Plot, told_of
from calibration.importing import load_file
from calibration.models import (
    Calibration,
    DriftFlag,
    DueState,
    FunctionalVerdict,
    Judgement,
    Visit,
)
from calibration.planning import plan_visits
from calibration.scan import run_scan
from fleet import units
from fleet.access import scope_of
from fleet.models import Customer, Dealer, Installation, Machine, Sensor, User
from fleet.scope import Scope

pytestmark = pytest.mark.django_db  # without it, no database is made for this module alone

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.fixture(scope="module")
def demo(django_db_setup, django_db_blocker):
    """Load and scan the fleet once for the module; sealed rows leave by rolling back."""
    with django_db_blocker.unblock(), transaction.atomic():
        load.load(scope=Scope.system(), now=NOW)
        scan = run_scan(full=True, now=NOW)
        plan = plan_visits(now=NOW)
        yield scan, plan
        transaction.set_rollback(True)


def newest(serial):
    return (
        Judgement.objects.filter(calibration__sensor__serial=serial)
        .order_by("-calibration__performed_at")
        .first()
    )


def standing(serials):
    return DriftFlag.objects.filter(sensor__serial__in=serials).exclude(status="closed")


def story(plot):
    return told_of(plot)[0]


PLANTED = {serial for one in STORIES for serial in one.serials}


# ── The fleet ─────────────────────────────────────────────────────────────────
def test_fleet_is_as_large_as_promised(demo):
    scan, _ = demo
    assert Dealer.objects.count() >= 3
    assert Customer.objects.count() >= 40
    assert Machine.objects.count() >= 150
    assert Sensor.objects.count() >= 600
    assert scan.sensors == Sensor.objects.count()
    assert scan.failed == []
    seasons = Counter(
        Judgement.objects.values_list("calibration__sensor_id", "season").distinct()
        .values_list("calibration__sensor_id", flat=True)
    )  # fmt: skip
    assert max(seasons.values()) == 5
    assert sum(count == 5 for count in seasons.values()) > 0.8 * len(seasons)


def test_every_story_is_about_a_sensor_that_exists(demo):
    known = set(Sensor.objects.filter(serial__in=PLANTED).values_list("serial", flat=True))
    assert known == PLANTED


def test_people_sign_in_and_see_their_dealer(demo, settings):
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
    for person in SIGN_INS:
        user = User.objects.get(username=person.username)
        assert user.check_password(person.password)
        assert user.is_staff
        seen = Dealer.objects.visible_to(scope_of(user)).values_list("code", flat=True)
        assert set(seen) == ({person.dealer} if person.dealer else {one.code for one in DEALERS})
    others = User.objects.exclude(username__in=[person.username for person in SIGN_INS])
    assert others
    assert not any(user.has_usable_password() for user in others)


# ── The stories ───────────────────────────────────────────────────────────────
@pytest.mark.parametrize("planted", STORIES, ids=lambda one: one.title)
def test_story_is_found(demo, planted):
    flags = list(standing(planted.serials))
    kinds = {flag.kind for flag in flags} - ({"overdue"} - planted.finds)
    assert kinds == planted.finds
    levels = {flag.level for flag in flags if flag.kind in planted.finds}
    if planted.finds:
        assert planted.level == ("beyond" if "beyond" in levels else "watch")
    found = report.finding(planted)
    assert found.cause == planted.cause
    if planted.level == "beyond" and planted.plot is not Plot.REFERENCE_OFF and planted.finds:
        assert found.cells == len(planted.serials)


def test_healthy_sensors_are_left_in_peace(demo):
    healthy = Sensor.objects.exclude(serial__in=PLANTED).count()
    flagged = DriftFlag.objects.exclude(sensor__serial__in=PLANTED)
    assert healthy > 600
    assert flagged.filter(level="beyond").count() == 0
    assert flagged.values("sensor").distinct().count() <= 0.01 * healthy


def test_recovered_sizes_are_those_that_were_planted(demo):
    """Three standard uncertainties of a two-point slope (0.7 %) and zero (0.2 % of rated load)."""
    loss = story(Plot.SENSITIVITY_LOSS)
    assert newest(loss.serials[0]).slope_change_pct == pytest.approx(loss.amount, abs=2.1)
    shift = story(Plot.ZERO_SHIFT)
    rated = SENSOR_TYPES["KP25"].rated_load * units.LOAD["kgf"]
    assert newest(shift.serials[0]).offset_change / rated * 100 == pytest.approx(
        shift.amount, abs=0.7
    )
    drifter = story(Plot.AGEING)
    assert newest(drifter.serials[0]).slope_pct_per_year == pytest.approx(drifter.amount, abs=0.6)


def test_scale_that_was_off_moved_all_cells_alike(demo):
    planted = story(Plot.REFERENCE_OFF)
    changes = [newest(serial).slope_change_pct for serial in planted.serials]
    assert median(changes) == pytest.approx(planted.amount, abs=0.6)
    tops = [newest(serial).causes[0]["code"] for serial in planted.serials]
    assert tops == ["common_reference"] * len(planted.serials)


def test_bad_lot_is_one_lot_at_three_dealers(demo):
    cells = Sensor.objects.filter(lot="K22-31")
    assert set(cells.values_list("serial", flat=True)) == set(told_of(Plot.AGEING)[1].serials)
    assert cells.values("dealer").distinct().count() == 3


def test_corrected_record_supersedes_the_wrong_one_and_says_why(demo):
    first, second = Calibration.objects.filter(
        sensor__serial=story(Plot.CORRECTED).serials[0], supersedes__isnull=False
    ).values_list("supersedes", "pk")[0]
    right = Calibration.objects.get(pk=second)
    assert right.supersede_reason
    assert not Judgement.objects.filter(calibration=first).exists()
    assert right.judgement.verdict == "within"


def test_replaced_cell_begins_a_history_of_its_own(demo):
    new, old = story(Plot.REPLACED).serials
    before, after = (Installation.objects.get(sensor__serial=serial) for serial in (old, new))
    assert (before.machine, before.position) == (after.machine, after.position)
    assert before.removed_on == after.installed_on
    first = Calibration.objects.filter(sensor__serial=new).earliest("performed_at")
    assert first.reason == "replacement"
    assert first.judgement.previous is None


def test_resold_machine_takes_its_history_along(demo):
    serial = story(Plot.RESOLD).serials[0]
    assert Sensor.objects.get(serial=serial).dealer.code == "REDWILLOW"
    records = Calibration.objects.filter(sensor__serial=serial).order_by("performed_at")
    assert [one.dealer.code for one in records] == ["COULEE"] * 3 + ["REDWILLOW"] * 2
    assert records[3].judgement.previous_id == records[2].pk


def test_only_the_failing_machine_fails_its_functional_test(demo):
    failed = FunctionalVerdict.objects.filter(verdict="fail")
    assert FunctionalVerdict.objects.count() > 100
    assert [row.functional_test.machine_serial for row in failed] == [FAILING_MACHINE]
    assert failed[0].findings


def test_overdue_customer_is_the_one_that_was_not_visited(demo):
    planted = story(Plot.OVERDUE)
    due = DueState.objects.filter(sensor__serial__in=planted.serials)
    assert due.count() == len(planted.serials)
    assert all(state.due_on < NOW.date() - timedelta(days=300) for state in due)
    others = DriftFlag.objects.filter(kind="overdue").exclude(sensor__serial__in=PLANTED)
    assert not others.exists()
    owner = Customer.objects.get(name=DEALERS[4].customers[7])
    assert Visit.objects.filter(customer=owner).exists()


def test_second_scan_changes_nothing(demo):
    with transaction.atomic():
        again = run_scan(full=True, now=NOW)
        transaction.set_rollback(True)
    assert (again.flags_opened, again.flags_closed) == (0, 0)


# ── What is printed ───────────────────────────────────────────────────────────
def test_report_is_a_dozen_lines_with_serials_and_passwords(demo):
    scan, plan = demo
    lines = list(report.lines(scan=scan, unplanned=len(plan.unplanned), address="http://here"))
    text = "\n".join(lines)
    assert 10 <= len(lines) <= 14
    assert all(one.serials[0] in text for one in STORIES)
    assert all(f"{person.username} / {person.password}" in text for person in SIGN_INS)
    assert "127.0.0.1" in text


# ── The example file ──────────────────────────────────────────────────────────
def test_example_record_file_goes_in_and_its_drifter_is_flagged(demo):
    content = (FIXTURES / "demo_records.csv").read_bytes()
    with transaction.atomic():
        result = load_file(
            content,
            name="demo_records.csv",
            dealer=Dealer.objects.get(code="KLON"),
            scope=Scope.system(),
            now=NOW,
        ).to_dict()
        flags = set(standing(["KP25-19111", "KP25-19112", "KP25-19113", "KP25-19114"])
                    .exclude(kind="overdue").values_list("sensor__serial", "kind"))  # fmt: skip
        transaction.set_rollback(True)
    assert (result["stored"], result["refused"]) == (14, 0)
    assert flags == {("KP25-19113", "slope")}


# ── The simulation alone ──────────────────────────────────────────────────────
DAYS = [date(2026, 1, 1) + timedelta(days=step) for step in range(0, 1100, 61)]


@pytest.mark.parametrize("today", DAYS, ids=str)
def test_calendar_holds_on_any_day(today):
    for dealer in DEALERS:
        taken: set[date] = set()
        for customer in range(1, len(dealer.customers) + 1):
            days = layout.visit_days(dealer, customer, today)
            assert days[-1] < today
            assert today - days[-1] <= timedelta(days=375)
            assert all(340 < (late - soon).days < 390 for soon, late in pairwise(days))
            assert all(day.weekday() < 5 for day in days)
            assert taken.isdisjoint(days), "one reference cannot be in two places on one day"
            taken.update(days)


@pytest.mark.parametrize("today", DAYS[::6], ids=str)
def test_numbers_can_be_and_are_the_same_each_time(today):
    measured = {(one.serial, one.visit): one for one in simulate.calibrations(today)}
    assert measured == {(one.serial, one.visit): one for one in simulate.calibrations(today)}
    for one in written_down(measured).values():
        kind = SENSOR_TYPES[one.serial.partition("-")[0]]
        readings = [reading for _, reading, _ in (*one.points, *one.corrected_from)]
        assert all(kind.reading_min <= reading <= kind.reading_max for reading in readings)
        assert one.performed_at < datetime.combine(today, datetime.min.time(), UTC)
    resold = [measured[story(Plot.RESOLD).serials[0], visit] for visit in range(1, 6)]
    assert all(a.performed_at < b.performed_at for a, b in pairwise(resold))
