"""A register file enters what is missing, all of it or nothing."""

import json

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from calibration.models import ReferenceStandard
from calibration.registering import load_register
from fleet.errors import Invalid, Malformed
from fleet.models import Dealer, SensorModel

GOOD = {
    "dealers": [{"code": "WEST", "name": "West", "timezone": "America/Regina"}],
    "sensor_models": [{"name": "LC", "rated_load": 500, "load_unit": "kgf"}],
    "references": [{"dealer": "WEST", "name": "scale", "relative_uncertainty_pct": 0.2}],
    "policies": [{"dealer": "WEST", "sensor_model": "LC", "slope_tolerance_pct": 2}],
}


def test_what_is_missing_is_entered_once(db):
    counts = load_register(json.dumps(GOOD))
    assert counts["references"] == {"created": 1, "already_there": 0}
    again = load_register(json.dumps(GOOD))
    assert all(count["created"] == 0 for count in again.values())
    assert ReferenceStandard.objects.get().relative_uncertainty_pct == 0.2


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        (
            {"dealers": [{"code": "X", "name": "X", "timezone": "Mars/Base"}]},
            "dealers[1].timezone",
        ),
        ({"sensor_models": [{"name": "Y", "rated_load": -1, "load_unit": "kgf"}]}, "rated_load"),
        ({"sensor_models": [{"name": "Y", "weight": 1}]}, "sensor_models[1].weight"),
        ({"references": [{"dealer": "NOBODY", "name": "s"}]}, "references[1].dealer"),
    ],
)
def test_a_bad_row_is_named_and_nothing_is_stored(db, changes, where):
    with pytest.raises(Invalid) as refused:
        load_register(json.dumps(GOOD | changes))
    assert where in str(refused.value)
    assert not Dealer.objects.exists()
    assert not SensorModel.objects.exists()


@pytest.mark.parametrize(
    "content", ["", "[]", "{", '{"dealer": []}', '{"dealers": 5}', "[" * 9999]
)
def test_another_form_is_refused(db, content):
    with pytest.raises(Malformed):
        load_register(content)


def test_the_command(db, tmp_path):
    file = tmp_path / "register.json"
    file.write_text(json.dumps(GOOD))
    call_command("load_register", str(file))
    assert Dealer.objects.get().code == "WEST"
    with pytest.raises(CommandError) as missing:
        call_command("load_register", str(tmp_path / "absent.json"))
    assert missing.value.returncode == 2
