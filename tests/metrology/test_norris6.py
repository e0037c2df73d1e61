"""24 real calibrations of six instruments over three years (NIST), against numpy and fractions."""

import csv
import json
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from calibration.metrology.fit import Points, fit_lines
from tests.metrology.published import GOLDEN
from tests.metrology.test_golden_fit import exact_line

pytestmark = pytest.mark.golden

FIXTURES = Path(__file__).parents[2] / "fixtures"
COLUMNS = (
    "record_id,customer,machine,machine_model,position,sensor,sensor_model,lot,performed_at,"
    "technician,reason,stage,reference,load,load_unit,reading,reading_unit,direction,"
    "temperature_c,hydraulic_pressure,pressure_unit,note"
)


@pytest.fixture(scope="module")
def calibrations():
    with (FIXTURES / "norris6.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert ",".join(rows[0]) == COLUMNS
    found = defaultdict(list)
    for row in rows:
        found[row["record_id"]].append((float(row["load"]), float(row["reading"])))
    return {key: np.array(values).T for key, values in found.items()}


@pytest.fixture(scope="module")
def lines(calibrations):
    load = np.concatenate([x for x, _ in calibrations.values()])
    reading = np.concatenate([y for _, y in calibrations.values()])
    counts = np.array([len(x) for x, _ in calibrations.values()])
    zero = np.zeros_like(load)
    return fit_lines(Points(load, reading, zero, zero, counts))


def test_the_file_holds_what_the_source_holds(calibrations):
    shape = json.loads((GOLDEN / "norris6" / "expected.json").read_text(encoding="utf-8"))
    assert len(calibrations) == shape["calibrations"]
    assert sum(len(x) for x, _ in calibrations.values()) == shape["points"]
    assert list(calibrations) == [f"norris6-{tag:02d}" for tag in range(1, 25)]


def test_each_fit_is_numpys_to_twelve_digits(calibrations, lines):
    for i, (x, y) in enumerate(calibrations.values()):
        (slope, offset), covariance = np.polyfit(x, y, 1, cov=True)
        assert lines.slope[i] == pytest.approx(slope, rel=1e-12, abs=0)
        assert lines.offset[i] == pytest.approx(offset, rel=1e-12, abs=0)
        ours = [
            [lines.u_slope[i] ** 2, lines.covariance[i]],
            [lines.covariance[i], lines.u_offset[i] ** 2],
        ]
        np.testing.assert_allclose(ours, covariance, rtol=1e-11, atol=0)


def test_each_fit_is_the_exact_one(calibrations, lines):
    for i, (x, y) in enumerate(calibrations.values()):
        slope, offset, var_slope, var_offset, s2 = exact_line(x, y)
        assert lines.slope[i] == pytest.approx(float(slope), rel=1e-14, abs=0)
        assert lines.offset[i] == pytest.approx(float(offset), rel=3e-13, abs=0)
        assert lines.u_slope[i] ** 2 == pytest.approx(float(var_slope), rel=1e-12)
        assert lines.u_offset[i] ** 2 == pytest.approx(float(var_offset), rel=1e-12)
        assert lines.residual_sd[i] ** 2 == pytest.approx(float(s2), rel=1e-12)


def test_each_alone_gives_the_bits_of_the_batch(calibrations, lines):
    for i, (x, y) in enumerate(calibrations.values()):
        zero = np.zeros_like(x)
        one = fit_lines(Points(x, y, zero, zero, np.array([len(x)])))
        for name in ("slope", "offset", "u_slope", "u_offset", "covariance", "residual_sd"):
            assert getattr(one, name)[0] == getattr(lines, name)[i]


def test_uncertainties_come_from_the_residuals_alone(lines):
    assert lines.scale_known.all()
    assert (lines.u_slope == lines.u_slope_random).all()
    assert (lines.birge_ratio == 1.0).all()
