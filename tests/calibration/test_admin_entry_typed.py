"""What is typed into the entry forms: everything that is wrong at once, and decimal commas."""

from datetime import UTC, datetime

import pytest
from django.core.exceptions import ValidationError
from rest_framework.test import APIClient

from calibration.admin.entry_forms import NumberField
from calibration.models import Calibration, FunctionalTest
from tests.calibration.entries import GOOD, refused, steps, typed
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings, monkeypatch):
    without_files(settings)
    clock = datetime(2026, 4, 10, 12, 0, tzinfo=UTC)
    monkeypatch.setattr("django.utils.timezone.now", lambda: clock)


@pytest.fixture
def technician(world):
    return signed_in(world.users["techA"])


# ── everything that can be known is said at once ─────────────────────────────
def test_all_that_is_wrong_is_said_in_one_round(world, technician):
    """A serial that is not known hides nothing else: it was said first and alone before."""
    data = typed(("0", "20000"), ("0", "x"), sensor="nobody", performed_at="2027-05-01 10:00",
                 temperature_c="400", hydraulic_pressure="2")  # fmt: skip
    answer = technician.post(page(Calibration, "add"), data)
    form, errors = refused(answer)
    assert set(form) == {"sensor", "performed_at", "temperature_c", "pressure_unit"}
    assert "In the future" in str(form["performed_at"])
    assert "reading" in errors[1]
    assert answer.context["rows"].forms[1]["reading"].value() == "x"
    assert not Calibration.objects.exists()


def test_what_cannot_be_known_yet_is_not_guessed(world, technician):
    """One point cannot be read, so nobody knows whether there are two loads, or which way."""
    form, errors = refused(
        technician.post(page(Calibration, "add"), typed(("0", "30000"), ("100", "2x")))
    )
    assert not form
    assert [set(row) for row in errors[:2]] == [set(), {"reading"}]
    single = typed(("0", "2x"), performed_at="2026-03-10T25:00")
    form, errors = refused(technician.post(page(Calibration, "add"), single))
    assert "Not a date and time" in str(form["performed_at"])
    assert "two distinct loads" in str(form["__all__"])
    assert "reading" in errors[0]
    strange = typed(("0", "99999"), ("1x", "30000"), reading_unit="mV/V")
    form, errors = refused(technician.post(page(Calibration, "add"), strange))
    assert "reads in count" in str(form["reading_unit"])


def test_a_serial_that_is_not_known_does_not_put_a_moment_into_the_future(world, technician):
    """Somewhere the next day has begun: the clock is 12:00 UTC, and no dealer is known."""
    here = typed(*GOOD, sensor="nobody", performed_at="2026-04-11 01:00")
    assert set(refused(technician.post(page(Calibration, "add"), here))[0]) == {"sensor"}
    nowhere = here | {"performed_at": "2026-04-11 03:00"}
    form, _ = refused(technician.post(page(Calibration, "add"), nowhere))
    assert set(form) == {"sensor", "performed_at"}


def test_a_functional_test_is_told_everything_at_once_too(world, technician):
    data = steps(("-50", "50"), ("100", "y"), sensor="nobody", performed_at="2027-05-01 10:00")
    form, errors = refused(technician.post(page(FunctionalTest, "add"), data))
    assert set(form) == {"sensor", "performed_at"}
    assert set(errors[0]) == {"commanded"}
    assert set(errors[1]) == {"displayed_mean"}
    early = steps(("50", "z"), performed_at="2019-01-01 09:00")
    form, errors = refused(technician.post(page(FunctionalTest, "add"), early))
    assert "not installed" in str(form["sensor"])
    assert "two or more setpoints" in str(form["__all__"])
    assert "displayed_mean" in errors[0]


def test_a_mean_outside_of_lowest_and_highest_is_refused_at_its_field(world, technician):
    data = steps(("50", "50"), ("100", "100")) | {
        "steps-0-displayed_min": "51", "steps-1-displayed_max": "99",
    }  # fmt: skip
    _, errors = refused(technician.post(page(FunctionalTest, "add"), data))
    assert "lowest is above the mean" in str(errors[0]["displayed_min"])
    assert "highest is below the mean" in str(errors[1]["displayed_max"])
    # Of a mean that cannot be read nobody knows where it lies.
    unread = data | {"steps-0-displayed_mean": "z", "steps-0-displayed_max": "55"}
    _, errors = refused(technician.post(page(FunctionalTest, "add"), unread))
    assert set(errors[0]) == {"displayed_mean"}
    assert set(errors[1]) == {"displayed_max"}
    assert not FunctionalTest.objects.exists()


# ── the decimal comma (a decimal mark by ISO 80000-1:2009, 7.3.2; from memory) ──
@pytest.mark.parametrize(
    ("typed_as", "read_as"),
    [
        ("12,5", 12.5), ("-0,75", -0.75), ("+3,1", 3.1), (",5", 0.5), ("0,125", 0.125),
        ("12345,678", 12345.678), ("1,2345", 1.2345), ("12.5", 12.5), ("1234", 1234.0),
        (" 12,5 ", 12.5), ("1e3", 1000.0), ("0,000", 0.0),
    ],
)  # fmt: skip
def test_a_decimal_comma_is_read_where_it_can_be_nothing_else(typed_as, read_as):
    assert NumberField().clean(typed_as) == read_as


@pytest.mark.parametrize(
    ("typed_as", "whole", "parted"),
    [
        ("1,234", "1234", "1.234"),
        ("-20,000", "-20000", "-20.000"),
        ("999,000", "999000", "999.000"),
    ],
)
def test_a_comma_that_may_part_thousands_is_asked_about(typed_as, whole, parted):
    with pytest.raises(ValidationError) as refusal:
        NumberField().clean(typed_as)
    said = refusal.value.messages[0]
    assert f"{typed_as} may be {whole} or {parted}" in said


@pytest.mark.parametrize(
    "typed_as", ["1.234,5", "1,234.5", "1,2,3", "12,", ",", "1 234,5", "1,5e3"]
)
def test_two_marks_in_one_number_are_refused(typed_as):
    with pytest.raises(ValidationError, match="decimal comma"):
        NumberField().clean(typed_as)


def test_a_calibration_typed_with_commas_is_stored_with_its_numbers(technician):
    data = typed(("0", "20000,5"), ("100,5", "30000"), temperature_c="11,5")
    assert technician.post(page(Calibration, "add"), data).status_code == 302
    stored = Calibration.objects.get()
    assert stored.temperature_c == 11.5
    assert [(p.load, p.reading) for p in stored.points.all()] == [(0, 20000.5), (100.5, 30000)]


def test_what_was_typed_with_a_comma_is_shown_as_typed(technician):
    data = typed(("0", "20,000"), ("100,5", "30000"), temperature_c="11,5", note="asked")
    answer = technician.post(page(Calibration, "add"), data)
    _, errors = refused(answer)
    assert "20,000 may be 20000 or 20.000" in str(errors[0]["reading"])
    text = answer.content.decode()
    for kept in ("20,000", "100,5", "11,5"):
        assert f'value="{kept}"' in text
    assert not Calibration.objects.exists()


def test_a_functional_test_takes_a_comma_too(technician):
    data = steps(("50,5", "50,4"), ("100", "99,8"))
    assert technician.post(page(FunctionalTest, "add"), data).status_code == 302
    first = FunctionalTest.objects.get().steps.first()
    assert (first.commanded, first.displayed_mean) == (50.5, 50.4)


def test_the_api_stays_strict(world):
    client = APIClient()
    client.force_authenticate(world.users["techA"])
    points = [{"load": 0, "reading": 20000}, {"load": "100,5", "reading": 30000}]
    body = {"sensor": "S-A1", "performed_at": "2026-03-10T09:00:00+01:00", "load_unit": "daN",
            "reading_unit": "count", "points": points}  # fmt: skip
    answer = client.post("/api/v1/calibrations/", body, "json")
    assert answer.status_code == 422
    assert "points/1/load" in str(answer.json())
