"""A column has one name: in the form, where it is only read, and over the list."""

import re

import pytest

from calibration.models import TolerancePolicy
from fleet.models import SensorModel
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


@pytest.fixture
def policy():
    return TolerancePolicy.objects.create(setpoints=[50, 90.5], load_unit="daN")


@pytest.mark.parametrize("who", ["admin", "managerA", "techA"])
def test_a_policy_has_the_same_names_for_whoever_reads_it(world, policy, who):
    client = signed_in(world.users[who])
    text = client.get(page(policy, "change", policy.pk)).content.decode()
    for name in ("Slope, % of slope", "Offset, % of rated load", "Flag from a chance of",
                 "Watch from a chance of", "Setpoints", "50, 90.5"):  # fmt: skip
        assert name in text, name
    assert "Slope tolerance pct" not in text
    assert "[50" not in text
    assert ('name="setpoints"' in text) == (who == "admin")
    heads = client.get(page(TolerancePolicy, "changelist")).content.decode()
    assert "Slope, % of slope" in heads
    assert "lope tolerance pct" not in heads


def test_a_named_column_still_sorts(world, policy):
    TolerancePolicy.objects.create(dealer=world.dealers["A"], slope_tolerance_pct=2.5)
    client = signed_in(world.users["admin"])
    found = client.get(page(TolerancePolicy, "changelist")).context["cl"].list_display
    names = [getattr(column, "__name__", column) for column in found]
    at = names.index("slope_tolerance_pct")
    heads = client.get(page(TolerancePolicy, "changelist")).content.decode()
    assert re.search(r'<a href="\?o=\d[^"]*">Slope, % of slope</a>', heads)
    for sign, wanted in (("", [2.5, 3.0]), ("-", [3.0, 2.5])):
        shown = client.get(page(TolerancePolicy, "changelist"), {"o": f"{sign}{at}"})
        rows = shown.context["cl"].result_list
        assert [row.slope_tolerance_pct for row in rows] == wanted


def test_a_sensor_model_says_what_its_repeatability_is_a_share_of(world):
    for who in ("admin", "techA"):
        client = signed_in(world.users[who])
        for address in (
            page(SensorModel, "changelist"), page(SensorModel, "change", world.sensor_model.pk),
        ):  # fmt: skip
            assert "Repeatability, % of rated load" in client.get(address).content.decode()
