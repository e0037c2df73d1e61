"""Reading back to load over the API: a published case, plain arithmetic, and bad readings."""

import pytest

from calibration.models import ReferenceStandard
from fleet.models import SensorModel
from tests.api.conftest import V1, calibration, refused
from tests.metrology.published import agrees, column, expected

PATH = f"{V1}calibrations/"
FIELDS = {
    "reading", "reading_unit", "load", "u_load", "expanded_u_load", "coverage_factor",
    "degrees_of_freedom", "load_unit", "says",
}  # fmt: skip


def load_of(client, key, reading):
    return client.get(f"{PATH}{key}/load/?reading={reading}")


@pytest.fixture
def stored(tech):
    """Return the id of a calibration: 20000 count at 0 daN, 30000 at 100."""
    return tech.post(PATH, calibration()).json()["id"]


@pytest.mark.golden
@pytest.mark.parametrize(("reading", "key"), [(15, "ex1 15"), (90, "ex1 90")])
def test_massarts_example(tech, world, reading, key):
    # Massart et al., Handbook of Chemometrics and Qualimetrics A (1997), chapter 8, example 1:
    # six points, no stated uncertainty, so everything comes from the residuals; an exact reference
    SensorModel.objects.update(repeatability_pct=0.0)
    exact = ReferenceStandard.objects.create(
        dealer=world.dealers["A"], name="exact", kind="scale", relative_uncertainty_pct=0.0
    )
    x, y = column("massart", "massart97_ex1.csv", "x", "y")
    points = [{"load": a, "reading": b} for a, b in zip(x, y, strict=True)]
    body = calibration(reference=exact.pk, load_unit="N", points=points)
    made = tech.post(PATH, body)
    assert made.status_code == 201, made.content
    found = load_of(tech, made.json()["id"], reading).json()
    load, u, half = expected("massart")["seven_digits"][key]
    assert agrees(found["load"], load)
    assert agrees(found["u_load"], u)
    assert agrees(found["expanded_u_load"], half)
    assert found["degrees_of_freedom"] == pytest.approx(len(x) - 2)
    # JCGM 100:2008, table G.2: t of 4 degrees of freedom at 95 %
    assert agrees(found["coverage_factor"], "2.78")


def test_two_points_read_back_to_the_load_between_them(tech, stored, world):
    answer = load_of(tech, stored, 24000)
    assert answer.status_code == 200
    found = answer.json()
    assert set(found) == FIELDS
    assert found["load"] == pytest.approx(40.0, rel=1e-12)
    assert (found["reading"], found["reading_unit"], found["load_unit"]) == (24000, "count", "daN")
    # 0.15 % of 200 daN a reading: of the zero, of the span, of this one; 1 % of the unit's weight
    pct = world.sensor_model.repeatability_pct
    one = (0.15 if pct == 0 else pct) / 100 * 200.0
    line = one * (0.6**2 + 0.4**2) ** 0.5
    assert found["u_load"] == pytest.approx((one**2 + line**2 + 0.4**2) ** 0.5, rel=1e-9)
    assert found["degrees_of_freedom"] is None  # the uncertainties are stated: infinite
    assert found["coverage_factor"] == pytest.approx(1.959964, abs=1e-6)
    assert found["expanded_u_load"] == pytest.approx(1.959964 * found["u_load"], rel=1e-6)
    assert found["says"].startswith("By this calibration a reading of 24000 count means 40.0")
    assert "95% probability" in found["says"]
    assert "outside" not in found["says"]


def test_units_are_those_that_were_typed(tech):
    points = [{"load": 0, "reading": 20000}, {"load": 1000, "reading": 30000}]
    made = tech.post(PATH, calibration(load_unit="N", points=points)).json()
    found = load_of(tech, made["id"], 24000).json()
    assert found["load"] == pytest.approx(400.0, rel=1e-12)
    assert found["load_unit"] == "N"


def test_each_record_is_read_by_its_own_line(tech, stored):
    later = [{"load": 0, "reading": 20000}, {"load": 100, "reading": 30400}]
    second = tech.post(
        PATH, calibration(points=later, performed_at="2026-04-01T09:00:00+02:00")
    ).json()["id"]
    assert load_of(tech, stored, 25200).json()["load"] == pytest.approx(52.0, rel=1e-12)
    assert load_of(tech, second, 25200).json()["load"] == pytest.approx(50.0, rel=1e-12)


def test_it_says_where_the_line_is_drawn_on_and_what_was_replaced(tech, stored):
    assert (
        "outside the calibrated loads, 0 to 100 daN" in load_of(tech, stored, 45000).json()["says"]
    )
    fixed = calibration(supersedes=stored, supersede_reason="typed wrong", note="again")
    assert tech.post(PATH, fixed).status_code == 201
    assert "A later record replaces" in load_of(tech, stored, 24000).json()["says"]


@pytest.mark.parametrize(
    "given",
    ["", "x", "nan", "inf", "-inf", "1e999", "1e13", "-1", "65536", "24 000", "9" * 2000, "%00"],
)
def test_a_bad_reading_is_refused_with_its_place(tech, stored, given):
    refused(load_of(tech, stored, given), 422, "/reading")


def test_a_missing_or_misspelt_reading_is_refused(tech, stored):
    refused(tech.get(f"{PATH}{stored}/load/"), 422, "/reading")
    refused(tech.get(f"{PATH}{stored}/load/?readng=5&reading=24000"), 422, "/readng")


def test_off_the_range_says_what_would_be_accepted(tech, stored):
    (error,) = refused(load_of(tech, stored, 70000), 422)["errors"]
    assert error["reason"] == "Off the converter's range"
    assert error["accepted"] == "0 to 65535 count"
    assert error["value"] == "70000 count"


def test_whoever_may_read_the_calibration_may_read_back(tech, reviewer, stranger, nobody, stored):
    mine = load_of(tech, stored, 24000).json()
    assert load_of(reviewer, stored, 24000).json() == mine
    refused(load_of(stranger, stored, 24000), 404)
    refused(load_of(stranger, stored, "x"), 404)
    refused(load_of(nobody, stored, 24000), 401)
    refused(load_of(tech, "0b9a6c1e-0000-4000-8000-000000000000", 24000), 404)
    refused(tech.post(f"{PATH}{stored}/load/?reading=24000"), 405)
