"""Units that a person may type, and their factors to the units used inside.

Loads are kept in newtons, pressures in kilopascals. Factors: NIST SP 811 (2008), appendix B.8; the
pound (0.45359237 kg), the inch (0.0254 m) and standard gravity (9.80665 m/s2) are exact. A load
given as a mass (kg, lb) is the weight of that mass under standard gravity.
"""

from collections.abc import Mapping

GRAVITY = 9.80665
POUND = 0.45359237

LOAD: Mapping[str, float] = {
    "N": 1.0,
    "daN": 10.0,
    "kN": 1000.0,
    "kgf": GRAVITY,
    "kg": GRAVITY,
    "lbf": POUND * GRAVITY,
    "lb": POUND * GRAVITY,
}
PRESSURE: Mapping[str, float] = {
    "kPa": 1.0,
    "bar": 100.0,
    "MPa": 1000.0,
    "psi": POUND * GRAVITY / 0.0254**2 / 1000.0,
}
READING: Mapping[str, tuple[str, float]] = {
    "count": ("count", 1.0),
    "mV/V": ("ratio", 1.0),
    "uV/V": ("ratio", 1e-3),
    "mV": ("voltage", 1.0),
    "V": ("voltage", 1000.0),
    "mA": ("current", 1.0),
}


def choices(units: Mapping[str, object]) -> list[tuple[str, str]]:
    """Return units as the choices of a field."""
    return [(unit, unit) for unit in units]


def reading_factor(unit: str, into: str) -> float | None:
    """Return the factor from one reading unit to another; None where they measure other things."""
    (kind, factor), (kind_into, factor_into) = READING[unit], READING[into]
    return factor / factor_into if kind == kind_into else None
