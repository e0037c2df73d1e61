"""The main job on real data: 24 straight-line calibrations of six instruments over three years.

Source: NIST/SEMATECH, six ozone monitors against a NIST standard, 1991 to 1993; see
fixtures/golden/norris6/SOURCE.md. The only published fact of time is the year.
"""

import csv
import json
from collections import defaultdict
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from django.core.management import call_command

from calibration import readout
from calibration.models import Calibration, DriftFlag, DueState, Fit, Judgement
from calibration.verifying import verify
from fleet.models import Sensor
from tests.conftest import NOW, SYSTEM

FIXTURES = Path(__file__).parents[2] / "fixtures"


def command(*words):
    out = StringIO()
    call_command(*words, stdout=out)
    return json.loads(out.getvalue().splitlines()[-1])


@pytest.fixture
def loaded(db):
    command("load_register", str(FIXTURES / "norris6.setup.json"), "--json")
    return command("load_records", str(FIXTURES / "norris6.csv"), "--dealer", "NIST", "--json")


def published():
    """Return the points of each calibration, as printed: tag -> (reference, guest)."""
    points = defaultdict(list)
    with (FIXTURES / "norris6.csv").open() as file:
        for row in csv.DictReader(file):
            points[row["performed_at"], row["sensor"]].append(
                (float(row["load"]), float(row["reading"]))
            )
    return {key: np.array(rows).T for key, rows in points.items()}


def test_everything_goes_in(loaded):
    assert (loaded["records"], loaded["stored"], loaded["refused"]) == (24, 24, 0)
    assert loaded["created"] == {
        "customers": 1, "machines": 1, "sensors": 6, "installations": 6,
    }  # fmt: skip
    assert Calibration.objects.count() == 24


def test_each_fit_is_numpys(loaded):
    """numpy.polyfit, degree 1, with its covariance."""
    expected = published()
    rows = Calibration.objects.select_related("fit")
    assert len(rows) == len(expected) == 24
    for row in rows:
        load, reading = expected[row.performed_at.isoformat(), row.sensor_serial]
        (slope, offset), covariance = np.polyfit(load, reading, 1, cov=True)
        fit = row.fit
        assert fit.slope == pytest.approx(slope, rel=1e-12)
        assert fit.offset == pytest.approx(offset, rel=1e-12, abs=1e-12 * abs(reading).max())
        assert fit.u_slope == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-9)
        assert fit.u_offset == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-9)


def test_the_instrument_of_three_years_has_its_two_changes(loaded):
    command("scan", "--json")
    sensor = Sensor.objects.get(serial="O3-4063")
    seasons = readout.sensor_history(sensor, SYSTEM)["seasons"]
    assert [row["season"] for row in seasons] == [1991, 1992, 1993]
    assert [row["previous_season"] for row in seasons] == [None, 1991, 1992]
    lines = {
        row.season: row.calibration.fit
        for row in Judgement.objects.filter(
            calibration__in=[row["calibration"] for row in seasons]
        ).select_related("calibration__fit")
    }
    for before, after in ((1991, 1992), (1992, 1993)):
        expected = 100 * (lines[after].slope / lines[before].slope - 1)
        change = next(row for row in seasons if row["season"] == after)
        assert change["slope_change_pct"] == pytest.approx(expected, rel=1e-9)
        assert change["u_slope_change_pct"] > 0


def everything():
    models = (Calibration, Fit, Judgement, DriftFlag, DueState)
    return {model.__name__: sorted(map(str, model.objects.values_list())) for model in models}


def test_a_second_load_and_scan_change_nothing(loaded):
    command("scan", "--json")
    before = everything()
    again = command("load_records", str(FIXTURES / "norris6.csv"), "--dealer", "NIST", "--json")
    scanned = command("scan", "--full", "--json")
    assert (again["stored"], again["already_there"], again["refused"]) == (0, 24, 0)
    assert (scanned["flags_opened"], scanned["flags_closed"], scanned["failed"]) == (0, 0, [])
    assert everything() == before
    assert list(verify(now=NOW)) == []
