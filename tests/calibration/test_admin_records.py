"""Recording on the desk: one write path, one record however often it is sent, errors at fields."""

import re
import uuid
from datetime import UTC, date, datetime

import pytest
from django.urls import reverse

from calibration import readout
from calibration.functional import FunctionalDraft, StepDraft, record_functional_test
from calibration.models import (
    Calibration,
    DriftFlag,
    FunctionalTest,
    ReferenceStandard,
    StaleSensor,
    TolerancePolicy,
)
from fleet import registry
from tests.calibration.entries import GOOD, refused, rows, steps, typed
from tests.conftest import NOW, SYSTEM
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings, monkeypatch):
    without_files(settings)
    clock = datetime(2026, 4, 10, 12, 0, tzinfo=UTC)
    monkeypatch.setattr("django.utils.timezone.now", lambda: clock)


@pytest.fixture
def technician(world):
    return signed_in(world.users["techA"])


def test_a_fresh_form_knows_the_sensor_and_last_times_numbers(world, technician):
    world.season("A1", 2025)
    answer = technician.get(page(Calibration, "add"), {"sensor": "s-a1"})
    text = answer.content.decode()
    assert answer.context["form"].initial["load_unit"] == "daN"
    assert "30000 count at 100 daN" in text
    assert "Bleed the downforce circuit to zero" in text
    assert "transport locks" in text
    assert "operator" in text


def test_a_calibration_is_recorded_once_however_often_it_is_sent(world, technician):
    data = typed(*GOOD, ("50", "25003"))
    for _ in range(3):
        answer = technician.post(page(Calibration, "add"), data)
        assert answer.status_code == 302
        assert answer.url == page(Calibration, "change", data["id"])
    stored = Calibration.objects.get()
    assert str(stored.pk) == data["id"]
    assert stored.recorded_by == world.users["techA"]
    assert stored.performed_at == datetime(2026, 3, 10, 8, 0, tzinfo=UTC)  # Warsaw, winter
    assert [(p.load, p.reading) for p in stored.points.all()] == [
        (0, 20000),
        (100, 30000),
        (50, 25003),
    ]
    assert stored.judgement.verdict


def test_the_same_form_with_other_numbers_is_refused(world, technician):
    data = typed(*GOOD)
    technician.post(page(Calibration, "add"), data)
    form, _ = refused(
        technician.post(page(Calibration, "add"), data | {"points-1-reading": "31000"})
    )
    assert "other content" in str(form["id"])
    assert Calibration.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"sensor": "S-B1"}, "sensor"),
        ({"sensor": "nobody"}, "sensor"),
        ({"sensor": ""}, "sensor"),
        ({"performed_at": "yesterday"}, "performed_at"),
        ({"performed_at": "2027-01-01 10:00"}, "performed_at"),
        ({"performed_at": "2019-06-01 10:00"}, "performed_at"),
        ({"performed_at": "2025-10-26 02:30"}, "performed_at"),
        ({"performed_at": "2026-03-29 02:30"}, "performed_at"),
        ({"load_unit": "stone"}, "load_unit"),
        ({"reading_unit": "mV"}, "reading_unit"),
        ({"temperature_c": "400"}, "temperature_c"),
        ({"temperature_c": "warm"}, "temperature_c"),
        ({"hydraulic_pressure": "3"}, "pressure_unit"),
        ({"hydraulic_pressure": "-3", "pressure_unit": "bar"}, "hydraulic_pressure"),
        ({"reference": "999"}, "reference"),
        ({"id": "no-uuid"}, "id"),
        ({"supersedes": str(uuid.uuid4()), "supersede_reason": "typo"}, "supersedes"),
    ],
)
def test_what_cannot_be_stands_at_its_field_and_nothing_is_stored(
    world, technician, change, where
):
    form, _ = refused(technician.post(page(Calibration, "add"), typed(*GOOD) | change))
    assert where in form, form
    assert not Calibration.objects.exists()


@pytest.mark.parametrize(
    ("points", "row", "field"),
    [
        ((("0", "20000"), ("100", "70000")), 1, "reading"),
        ((("0", "20000"), ("100", "30.5.1")), 1, "reading"),
        ((("0", "20000"), ("100", "30.000,5")), 1, "reading"),
        ((("0", "20000"), ("100", "30,000,5")), 1, "reading"),
        ((("0", "20000"), ("100", "30_000")), 1, "reading"),
        ((("0", "NaN"), ("100", "30000")), 0, "reading"),
        ((("1e400", "20000"), ("100", "30000")), 0, "load"),
        ((("0", "20000"), ("", "30000")), 1, "load"),
    ],
)
def test_a_point_that_cannot_be_stands_at_its_row(world, technician, points, row, field):
    _, errors = refused(technician.post(page(Calibration, "add"), typed(*points)))
    assert field in errors[row], errors
    assert not Calibration.objects.exists()


def test_the_row_of_an_error_is_the_row_that_was_typed_not_the_one_that_was_counted(
    world, technician
):
    data = typed() | rows(
        "points",
        {"load": "0", "reading": "20000", "direction": "up"},
        {"load": "", "reading": "", "direction": "up"},
        {"load": "100", "reading": "70000", "direction": "up"},
    )
    _, errors = refused(technician.post(page(Calibration, "add"), data))
    assert [bool(row) for row in errors[:3]] == [False, False, True]


@pytest.mark.parametrize("points", [(), GOOD[:1], (("100", "1"), ("100", "2"))])
def test_a_line_needs_two_loads(world, technician, points):
    form, _ = refused(technician.post(page(Calibration, "add"), typed(*points)))
    assert "two distinct loads" in str(form["__all__"])


def test_judging_first_stores_nothing(world, technician):
    world.season("A1", 2025)
    data = typed(("0", "20000"), ("100", "33000"))
    del data["_save"]
    answer = technician.post(page(Calibration, "add"), data | {"_check": "1"})
    assert answer.status_code == 200
    assert answer.context["checked"]["answer"]["verdict"] == "beyond"
    assert "nothing is stored yet" in answer.content.decode()
    assert Calibration.objects.count() == 1
    assert not DriftFlag.objects.exists()


def test_a_correction_replaces_the_earlier_record_and_says_why(world, technician):
    wrong = world.season("A1", 2026).calibration
    start = technician.get(page(Calibration, "add"), {"corrects": str(wrong.pk)})
    assert start.context["form"].initial["supersedes"] == wrong.pk
    assert start.context["rows"].initial[1]["reading"] == "30000"
    data = typed(*GOOD, supersedes=str(wrong.pk)) | {"points-INITIAL_FORMS": "2"}
    form, _ = refused(technician.post(page(Calibration, "add"), data))
    assert "supersede_reason" in form
    answer = technician.post(
        page(Calibration, "add"), data | {"supersede_reason": "digits swapped"}
    )
    assert answer.status_code == 302
    wrong.refresh_from_db()
    assert wrong.superseded_by.supersede_reason == "digits swapped"
    old = technician.get(page(wrong, "change", wrong.pk)).content.decode()
    assert "takes no part in judging" in old


def test_the_calibration_page_shows_its_numbers_as_the_api_gives_them(world, technician):
    world.season("A1", 2025)
    row = world.season("A1", 2026).calibration
    text = technician.get(page(row, "change", row.pk)).content.decode()
    assert row.digest in text
    shown = re.search(r"<dt>Slope</dt><dd>([\d.]+) ± ([\d.]+) count/daN</dd>", text)
    assert shown
    fit = readout.calibration_answer(row, SYSTEM)["fit"]
    assert float(shown[1]) == pytest.approx(fit["slope"], abs=fit["u_slope"])
    # JCGM 100:2008, 7.2.6: two digits of the uncertainty, the value to the same decimal place.
    assert len(shown[2].replace(".", "").lstrip("0")) == 2
    assert len(shown[1].partition(".")[2]) == len(shown[2].partition(".")[2])
    assert "<svg" in text
    assert "Before anyone touches the machine" in text


def test_a_functional_test_is_recorded_once(world, technician):
    data = steps(("50", "50.4"), ("100", "99.8"))
    for _ in range(2):
        assert technician.post(page(FunctionalTest, "add"), data).status_code == 302
    stored = FunctionalTest.objects.get()
    assert stored.installation == world.installations["A1"]
    assert technician.get(page(stored, "change", stored.pk)).status_code == 200


def test_a_functional_test_reads_alike_wherever_it_stands(world, technician):
    """50.36 for 50 is 0.72 % too much: on its page, in the list and on the sensor's page."""
    draft = FunctionalDraft(
        installation=world.installations["A1"], load_unit="daN", pressure_unit="bar",
        performed_at=datetime(2026, 3, 20, 9, 0, tzinfo=UTC),
        steps=(StepDraft(50.0, 50.36), StepDraft(100.0, 100.1)),
    )  # fmt: skip
    row = record_functional_test(draft, scope=SYSTEM, now=NOW).functional_test
    for address in (
        page(row, "change", row.pk), page(FunctionalTest, "changelist"),
        page(world.sensors["A1"], "change", row.sensor_id),
    ):  # fmt: skip
        text = technician.get(address).content.decode()
        assert "0.72 %" in text, address
        assert ">passed</span>" in text


def test_a_functional_test_that_cannot_be_is_refused_at_its_field(world, technician):
    form, _ = refused(technician.post(page(FunctionalTest, "add"), steps(("50", "50"))))
    assert "two or more setpoints" in str(form["__all__"])
    early = steps(("50", "50"), ("100", "100")) | {"performed_at": "2019-01-01 09:00"}
    form, _ = refused(technician.post(page(FunctionalTest, "add"), early))
    assert "not installed" in str(form["sensor"])
    negative = steps(("-50", "50"), ("100", "100"))
    _, errors = refused(technician.post(page(FunctionalTest, "add"), negative))
    assert "commanded" in errors[0]
    assert not FunctionalTest.objects.exists()


def test_a_functional_test_sent_again_after_a_move_is_one_record(world, technician):
    data = steps(("50", "50.4"), ("100", "99.8"))
    assert technician.post(page(FunctionalTest, "add"), data).status_code == 302
    place, day = world.installations["A1"], date(2026, 3, 10)
    registry.remove_sensor(scope=SYSTEM, installation=place, removed_on=day)
    registry.install_sensor(
        scope=SYSTEM, sensor=place.sensor, machine=world.machines["A2"], position="row 3",
        installed_on=day,
    )  # fmt: skip
    assert technician.post(page(FunctionalTest, "add"), data).status_code == 302
    assert FunctionalTest.objects.get().installation == place


def test_a_replaced_functional_test_is_shown_as_replaced(world, technician):
    assert technician.post(
        page(FunctionalTest, "add"), steps(("50", "70"), ("100", "140"))
    ).status_code == 302  # fmt: skip
    bad = FunctionalTest.objects.get()
    better = steps(("50", "50.4"), ("100", "99.8"))
    better |= {"supersedes": str(bad.pk), "supersede_reason": "wrong row"}
    assert technician.post(page(FunctionalTest, "add"), better).status_code == 302
    for where in (
        page(FunctionalTest, "changelist"),
        page(bad, "change", bad.pk),
        page(bad.sensor, "change", bad.sensor_id),
    ):
        text = technician.get(where).content.decode()
        assert '<span class="sign sign-none">replaced</span>' in text
        assert "sign-fail" not in text


def test_a_reviewer_records_nothing(world):
    reviewer = signed_in(world.users["reviewer"])
    assert reviewer.get(page(Calibration, "add")).status_code == 403
    assert reviewer.post(page(Calibration, "add"), typed(*GOOD)).status_code == 403
    assert not Calibration.objects.exists()


def test_an_edited_reference_or_policy_has_its_sensors_judged_again(world):
    manager = signed_in(world.users["managerA"])
    reference = world.references["A"]
    world.season("A1", 2026, reference=reference)
    StaleSensor.objects.all().delete()
    data = {
        "dealer": reference.dealer_id, "name": reference.name, "kind": "scale", "serial": "",
        "relative_uncertainty_pct": "0.2", "certificate": "", "valid_until": "",
    }  # fmt: skip
    assert manager.post(page(ReferenceStandard, "change", reference.pk), data).status_code == 302
    assert list(StaleSensor.objects.values_list("sensor__serial", flat=True)) == ["S-A1"]
    StaleSensor.objects.all().delete()
    policy = {
        "sensor_model": "", "dealer": reference.dealer_id, "slope_tolerance_pct": "2",
        "offset_tolerance_pct": "1", "flag_probability": "0.8", "watch_probability": "0.3",
        "default_interval_days": "300", "target_reliability": "0.9", "setpoints": "50, 120",
        "load_unit": "daN",
    }  # fmt: skip
    assert manager.post(page(TolerancePolicy, "add"), policy).status_code == 302
    assert TolerancePolicy.objects.get().setpoints == [50.0, 120.0]
    assert set(StaleSensor.objects.values_list("sensor__dealer__code", flat=True)) == {"NORTH"}
    answer = manager.post(page(TolerancePolicy, "add"), policy | {"setpoints": "a, b"})
    assert "numbers separated by commas" in answer.content.decode()
    everybody = policy | {"dealer": ""}
    answer = manager.post(page(TolerancePolicy, "add"), everybody)
    assert "Your role does not allow this" in answer.content.decode()
    assert TolerancePolicy.objects.count() == 1


def test_the_certificate_is_one_click_away(world, technician):
    row = world.season("A1", 2026).calibration
    door = reverse("admin:calibration_calibration_certificate", args=[row.pk])
    shown = technician.get(page(row, "change", row.pk)).content.decode()
    assert door in shown
    assert f'{door}?paper=letter">Certificate on Letter paper</a>' in shown
    assert technician.get(door).content[:5] == b"%PDF-"


def test_a_first_calibration_is_not_said_to_be_within_and_beyond_at_once(world):
    """A chance of more than half to be out decides nothing there: E_n against the tag does."""
    world.tag("A1", span_reading=29660.0)
    row = world.season("A1", 2026).calibration
    text = signed_in(world.users["techA"]).get(page(row, "change", row.pk)).content.decode()
    assert (
        "Within: near enough to the cell&#x27;s tag, which a first calibration is compared with."
        in text
    )
    assert "watched above 2.5." in text
    above, _ = text.split("Why this verdict", 1)
    assert "Chance that the true change lies beyond the tolerance:" not in above
