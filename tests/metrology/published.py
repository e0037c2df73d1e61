"""What the golden tests share: reading fixtures, and agreement to the printed digits."""

import csv
import json
import re
from decimal import Decimal
from pathlib import Path

import numpy as np

from calibration.metrology.fit import Lines, Points, fit_lines

GOLDEN = Path(__file__).parents[2] / "fixtures" / "golden"


def expected(source: str):
    """Return the published values of a source."""
    return json.loads((GOLDEN / source / "expected.json").read_text(encoding="utf-8"))


def column(source: str, name: str, *wanted: str) -> list[np.ndarray]:
    """Return columns of a source's data as numbers."""
    with (GOLDEN / source / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [np.array([float(row[key]) for row in rows]) for key in wanted]


def half_unit(printed: str) -> float:
    """Return half a unit of the last printed digit."""
    digits = re.sub(r"\s", "", printed)
    return float(Decimal(5).scaleb(Decimal(digits).as_tuple().exponent - 1))


def agrees(value: float, printed: str) -> bool:
    """Say whether a value, rounded as printed, could have been printed so."""
    return abs(float(value) - float(printed)) <= half_unit(printed) * (1 + 1e-9)


def digits(value: float, certified: str) -> float:
    """Return the number of agreeing significant digits (log relative error)."""
    off = abs(Decimal(repr(float(value))) - Decimal(certified))
    if off == 0:
        return 16.0
    return float(-(off / abs(Decimal(certified))).log10())


def points(x, y, u_load=None, u_reading=None) -> Points:
    """Return the points of one calibration."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    u = [np.zeros_like(x) if it is None else np.asarray(it, float) for it in (u_load, u_reading)]
    return Points(x, y, u[0], u[1], np.array([len(x)]))


def line(x, y, u_load=None, u_reading=None, reference_pct=0.0) -> Lines:
    """Return the fit of one calibration."""
    return fit_lines(points(x, y, u_load, u_reading), reference_pct)
