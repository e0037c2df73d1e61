"""Where the next numbers of a cell are expected: last time's, give or take.

Pure arithmetic. The half width is the tolerance and the measuring combined in quadrature:
``sqrt(tolerance^2 + (2 u)^2)``, with `u` the standard uncertainty of the difference between two
calibrations made alike, ``sqrt(2)`` times that of one (the reference's common share cancels when
the same reference is used again). A number outside the range is a reason to measure once more.
"""

import math
from typing import NamedTuple

COVERAGE = 2.0
_ROOT_2 = math.sqrt(2.0)


class Line(NamedTuple):
    """Last time's line in the units that were typed.

    Attributes
    ----------
    slope : float [reading per load unit]
    offset : float [reading]
    u_slope : float [reading per load unit]
        Without the reference's common share.
    u_offset : float [reading]
    covariance : float [reading^2 per load unit]
        Of slope and offset.
    """

    slope: float
    offset: float
    u_slope: float
    u_offset: float
    covariance: float


class Tolerance(NamedTuple):
    """How far the true numbers may move.

    Attributes
    ----------
    slope : float [1]
        Share of the slope.
    offset : float [load unit]
    """

    slope: float
    offset: float


class Range(NamedTuple):
    """A range and the standard uncertainty that its ends are rounded to."""

    low: float
    high: float
    u: float


def _around(middle: float, tolerance: float, u_one: float) -> Range:
    u_difference = _ROOT_2 * u_one
    half = math.hypot(tolerance, COVERAGE * u_difference)
    return Range(middle - half, middle + half, u_difference)


def slope_range(line: Line, tolerance: Tolerance) -> Range:
    """Return where the next slope is expected [reading per load unit]."""
    return _around(line.slope, tolerance.slope * abs(line.slope), line.u_slope)


def offset_range(line: Line, tolerance: Tolerance) -> Range:
    """Return where the next offset is expected [reading]."""
    return _around(line.offset, tolerance.offset * abs(line.slope), line.u_offset)


def reading_range(line: Line, tolerance: Tolerance, load: float) -> Range:
    """Return where the next reading at a load is expected [reading]."""
    drift = abs(line.slope) * math.hypot(tolerance.offset, tolerance.slope * load)
    variance = line.u_offset**2 + 2.0 * load * line.covariance + (load * line.u_slope) ** 2
    return _around(line.offset + line.slope * load, drift, math.sqrt(max(variance, 0.0)))
