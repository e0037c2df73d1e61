"""Factors against NIST SP 811 (2008), appendix B.8, as printed, and against the library pint."""

import pytest
from pint import UnitRegistry

from fleet import units

PINT = {
    "N": "newton", "daN": "decanewton", "kN": "kilonewton", "kgf": "kilogram_force",
    "lbf": "pound_force", "kPa": "kilopascal", "bar": "bar", "MPa": "megapascal", "psi": "psi",
}  # fmt: skip


@pytest.mark.parametrize(
    ("factor", "printed"),
    [
        (units.LOAD["lbf"], 4.448222),  # pound-force to newton
        (units.LOAD["kgf"], 9.80665),  # kilogram-force to newton, exact
        (units.PRESSURE["psi"], 6.894757),  # pound-force per square inch to kilopascal
        (units.PRESSURE["bar"], 100.0),
    ],
)
def test_factors_as_printed(factor, printed):
    assert factor == pytest.approx(printed, abs=0.5e-6)


@pytest.mark.parametrize("unit", PINT)
def test_factors_agree_with_pint(unit):
    registry = UnitRegistry()
    base = "newton" if unit in units.LOAD else "kilopascal"
    factor = units.LOAD.get(unit) or units.PRESSURE[unit]
    assert factor == pytest.approx(registry(PINT[unit]).to(base).magnitude, rel=1e-14)


def test_a_mass_is_its_weight():
    assert units.LOAD["kg"] == units.LOAD["kgf"]
    assert units.LOAD["lb"] == units.LOAD["lbf"]


def test_readings_convert_within_their_kind_only():
    assert units.reading_factor("uV/V", "mV/V") == 1e-3
    assert units.reading_factor("V", "mV") == 1000.0
    assert units.reading_factor("count", "mV") is None
