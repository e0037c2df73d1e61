"""What a company is compared with, and how whoever differs comes into line again."""

from datetime import UTC, date, datetime

import numpy as np
import pytest
from django.db.models import F

from calibration import comparing, flags, functional, judging, packing, policies, records, stages
from calibration.models import (
    DriftFlag,
    DueState,
    FunctionalVerdict,
    FurtherCompany,
    Judgement,
    PackedHistory,
    StaleSensor,
    TolerancePolicy,
)
from calibration.records import PointDraft
from calibration.scan import run_scan
from calibration.together import spans
from tests.calibration.lives import grow, resell
from tests.calibration.test_functional import FAILED
from tests.calibration.test_functional import draft as functional_draft
from tests.calibration.test_histories import seal
from tests.calibration.test_scan import rows as derived
from tests.conftest import NOW, SYSTEM
from tests.shared_world import upon_the_world


def rows():
    """Return what follows from the records, as plain tuples."""
    tests = FunctionalVerdict.objects.order_by("pk").values_list()
    packs = PackedHistory.objects.order_by("pk").values_list("pk", "company", "outcome")
    return derived() | {"tests": list(map(str, tests)), "packs": list(packs)}


def differing():
    """Keys of all sensors that are stored otherwise than they should be."""
    found = [
        {int(sensor) for span, _ in spans(comparing.companies(), most)
         for sensor in comparing.compare(span).differing}
        for most in (1, 1000)
    ]  # fmt: skip
    assert found[0] == found[1]  # company by company, and all of them together
    return found[0]


def judged_anew():
    """Return the rows after everybody was judged from the records, by nobody's comparing."""
    records.judge_sealed(list(PackedHistory.objects.values_list("pk", flat=True)), now=NOW)
    return rows()


@upon_the_world
def scanned(world):
    """Return a fleet with flags, a failed functional test and nothing left to do."""
    functional.record_functional_test(functional_draft(world, FAILED), scope=SYSTEM, now=NOW)
    grow(world, 7)
    run_scan(full=True, now=NOW)
    assert DriftFlag.objects.filter(kind="slope").exclude(status="closed").exists()
    return world


@pytest.fixture(autouse=True)
def one_of_eight_is_few(monkeypatch):
    monkeypatch.setattr(comparing, "_FEW_DIFFER", 0.2)


@pytest.fixture
def together(monkeypatch):
    """Return the numbers of sensors that were stored together, company by company."""
    stored, original = [], comparing._store

    def store(found, now):
        stored.append(len(found.differing))
        return original(found, now)

    monkeypatch.setattr(comparing, "_store", store)
    return stored


@pytest.fixture
def one_by_one(monkeypatch):
    """Return the sensors that went through the ordinary path."""
    judged, original = [], records.judge_sealed

    def judge_sealed(sensor_ids, **asked):
        judged.extend(sensor_ids)
        return original(sensor_ids, **asked)

    monkeypatch.setattr(records, "judge_sealed", judge_sealed)
    return judged


# ── Nothing to do ─────────────────────────────────────────────────────────────


@pytest.mark.parametrize("seed", range(3))
def test_after_a_full_scan_nobody_differs(world, seed):
    grow(world, seed)
    assert FurtherCompany.objects.count() > 1
    run_scan(full=True, now=NOW)
    assert differing() == set()
    before = rows()
    assert judged_anew() == before


@pytest.mark.parametrize("most", [1, 1000])
@pytest.mark.parametrize("seed", range(3))
def test_companies_are_found_to_be_what_the_ordinary_path_finds(world, seed, most):
    grow(world, seed)
    run_scan(full=True, now=NOW)
    cut = spans(comparing.companies(), most)
    assert len(cut) == (2 if most == 1 else 1)
    for span, _ in cut:
        found = comparing.compare(span)
        ordinary = judging.outcomes_of(found.recorded.of(found.members))
        for whole, plain, sensor in (
            (found.outcome.fits, ordinary.fits, found.outcome.history.sensor),
            (
                found.outcome.judgements,
                ordinary.judgements,
                found.outcome.weighed.case.history.sensor,
            ),
        ):
            of_members = np.isin(sensor, found.members)
            for name, column in plain.items():
                assert whole[name][of_members].tobytes() == column.tobytes(), name


def test_a_scan_of_an_unchanged_fleet_stores_nothing(scanned, together, one_by_one):
    before = rows()
    run_scan(full=True, now=NOW)
    never_calibrated = set(one_by_one) - set(PackedHistory.objects.values_list("pk", flat=True))
    assert (together, set(one_by_one)) == ([], never_calibrated)
    assert rows() == before


# ── One thing wrong ───────────────────────────────────────────────────────────


def open_flag(**which):
    return DriftFlag.objects.exclude(status="closed").filter(**which).order_by("pk").first()


def change_flag(**values):
    def change():
        flag = open_flag(kind="slope")
        DriftFlag.objects.filter(pk=flag.pk).update(**values)
        return flag.sensor_id

    return change


def delete_flag():
    flag = open_flag(kind="slope")
    flag.delete()
    return flag.sensor_id


def add_flag():
    flagged = DriftFlag.objects.filter(kind="slope").values("calibration")  # closed ones, too
    quiet = Judgement.objects.order_by("pk").exclude(pk__in=flagged).first()
    flag = {"kind": "slope", "level": "watch", "magnitude": 1, "tolerance": 3, "opened_at": NOW}
    DriftFlag.objects.create(calibration_id=quiet.pk, sensor_id=quiet.sensor_id, **flag)
    return quiet.sensor_id


def change_due_day():
    state = DueState.objects.exclude(last_calibration=None).order_by("pk").first()
    DueState.objects.filter(pk=state.pk).update(due_on=date(2031, 1, 1))
    return state.pk


def delete_due_state():
    state = DueState.objects.exclude(last_calibration=None).order_by("pk").last()
    DueState.objects.filter(pk=state.pk).delete()
    return state.pk


def change_digest():
    pack = PackedHistory.objects.order_by("pk").last()
    PackedHistory.objects.filter(pk=pack.pk).update(outcome=pack.outcome ^ 1)
    return pack.pk


def change_test():
    outcome = FunctionalVerdict.objects.get(verdict="fail")
    FunctionalVerdict.objects.update(verdict="pass")
    return outcome.functional_test.sensor_id


def delete_test_flag():
    flag = open_flag(kind="functional")
    flag.delete()
    return flag.sensor_id


CHANGES = {
    "a flag deleted": delete_flag,
    "its magnitude changed": change_flag(magnitude=0.25),
    "its level changed": change_flag(level="within"),
    "its probability gone": change_flag(p_out=None),
    "closed by nobody": change_flag(status="closed", closed_at=NOW, close_reason="gone"),
    "a flag that nobody wants": add_flag,
    "a due day changed": change_due_day,
    "a due state deleted": delete_due_state,
    "the digest changed": change_digest,
    "a functional verdict changed": change_test,
    "a functional flag deleted": delete_test_flag,
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_whoever_is_stored_otherwise_is_named_and_comes_into_line(scanned, change, together):
    before = rows()
    sensor = change()
    assert differing() == {sensor}
    run_scan(full=True, now=NOW)
    assert together == []  # one of many goes through the ordinary path
    assert rows() == before
    assert differing() == set()


def test_a_policy_that_changed_without_a_mark_reaches_its_sensors_and_no_others(scanned):
    policy = TolerancePolicy.objects.create(dealer=scanned.dealers["B"])
    assert differing() == set()  # its values are the defaults
    TolerancePolicy.objects.filter(pk=policy.pk).update(slope_tolerance_pct=0.4)
    theirs = PackedHistory.objects.filter(sensor__dealer=scanned.dealers["B"])
    assert differing() == set(theirs.values_list("pk", flat=True))
    assert not StaleSensor.objects.exists()
    run_scan(full=True, now=NOW)
    assert differing() == set()
    after = rows()
    assert judged_anew() == after
    tolerances = Judgement.objects.filter(sensor__dealer=scanned.dealers["B"]).order_by("pk")
    assert set(tolerances.values_list("slope_tolerance_pct", flat=True)) == {0.4}


def test_what_a_person_closed_stays_closed_and_does_not_differ(scanned):
    flag = open_flag(kind="slope")
    flags.close(flag, user_id=scanned.users["admin"].pk, reason="cell replaced", now=NOW)
    assert differing() == set()
    run_scan(full=True, now=NOW)
    flag.refresh_from_db()
    assert (flag.status, flag.close_reason) == ("closed", "cell replaced")


# ── Many differ ───────────────────────────────────────────────────────────────


def test_a_company_of_which_many_differ_is_stored_together(scanned, together, one_by_one):
    before = rows()
    company = scanned.dealers["A"].pk
    theirs = PackedHistory.objects.filter(company=company)
    DriftFlag.objects.filter(sensor__in=theirs.values("pk"), kind="slope").delete()
    DueState.objects.filter(sensor__in=theirs.values("pk")).delete()
    theirs.update(outcome=F("outcome") + 1)
    assert differing() == set(theirs.values_list("pk", flat=True))
    run_scan(full=True, now=NOW)
    assert together == [theirs.count()]
    assert not set(one_by_one) & set(theirs.values_list("pk", flat=True))
    assert rows() == before
    assert differing() == set()


def test_who_is_recorded_between_comparing_and_storing_is_judged_one_by_one(
    scanned, monkeypatch, together, one_by_one
):
    company, asked, original = scanned.dealers["A"].pk, [], packing.said_of
    PackedHistory.objects.filter(company=company).update(outcome=F("outcome") + 1)

    def said_of(packs):
        asked.append(packs)
        if len(asked) == 1:  # compared, and now asked again under the locks
            scanned.season("A2b", 2026, reference=scanned.references["A"])
        return original(packs)

    monkeypatch.setattr(packing, "said_of", said_of)
    run_scan(full=True, now=NOW)
    theirs = set(PackedHistory.objects.filter(company=company).values_list("pk", flat=True))
    assert together == []
    assert theirs <= set(one_by_one)
    assert differing() == set()
    after = rows()
    assert judged_anew() == after


# ── What is not packed any more, or not stored yet ────────────────────────────
@pytest.mark.parametrize("most", [1, 1000])
def test_histories_that_were_forgotten_meanwhile_are_stored_by_nobody_comparing(
    scanned, together, most
):
    """A dealer's calendar was saved after the scan had packed everybody; then all differ."""
    a = PackedHistory.objects.filter(company=scanned.dealers["A"].pk)
    whose = set(a.values_list("pk", flat=True))
    policies.mark_anew(list(whose)[1:], why="test", now=NOW)
    TolerancePolicy.objects.create(slope_tolerance_pct=0.01)
    theirs = DriftFlag.objects.filter(sensor__in=whose).order_by("pk").values_list("pk", "status")
    before = list(theirs)
    told = []
    left = [
        sensor
        for span, _ in spans(comparing.companies(), most)
        for sensor in comparing.settle(span, now=NOW, stored=told.append)
    ]
    waiting = {sensor for judged in told for sensor in judged.touched}
    assert whose <= set(left) | waiting
    assert len(together) <= 1  # the other company may be
    assert list(theirs.all()) == before
    records.judge_marked(sorted({*left, *waiting}), now=NOW)
    after = rows()
    assert judged_anew() == after


def test_who_shares_a_day_with_a_guest_waits_until_that_one_is_stored(world, monkeypatch):
    """A few of the first company differ because of a guest, whose own company comes later."""
    a, b = world.references["A"], world.references["B"]
    names = [f"A{number}" for number in range(3, 16)]
    for name in names:
        world.add_sensor(name)
    for name in names:
        world.season(name, 2024, reference=a)
    world.season("B2", 2023, reference=b)
    resell(world, "B2", "A1")
    world.sensors["B2"].refresh_from_db()
    world.season("B2", 2024, reference=a)
    run_scan(full=True, now=NOW)
    points = (PointDraft(0, 20_000), PointDraft(100, 30_400))
    when = datetime(2026, 3, 10, 9, tzinfo=UTC)
    seal(world, [
        world.draft(name, performed_at=when, reference=a, points=points) for name in ("A3", "B2")
    ])  # fmt: skip
    monkeypatch.setattr(stages, "COMPARE_SENSORS", 1)  # a chunk for each company
    monkeypatch.setattr(comparing, "GROUP", 1)
    run = run_scan(full=True, now=NOW)
    assert run.chunks.filter(work="compare").count() == 2
    assert Judgement.objects.get(sensor=world.sensors["A3"], season=2026).common_members == 2
    after = rows()
    assert judged_anew() == after
    assert not StaleSensor.objects.exists()
