"""Figures of a calibration with three or more loads: how straight, how repeatable, how faithful.

They are made from the points alone: nothing is stored, so nothing can be out of date.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.metrology import multipoint, nonlinearity
from calibration.metrology.fit import Points
from calibration.models import Calibration, Direction
from fleet import units

Floats = NDArray[np.float64]

METHOD = f"{multipoint.METHOD} {nonlinearity.METHOD}"
FEWEST_LEVELS = 3


def figures_of(row: Calibration) -> dict[str, Any] | None:
    """Return the figures of a stored calibration; its points and sensor model are read with it."""
    model = row.sensor.model
    typed = [
        {"load": point.load, "reading": point.reading, "direction": point.direction}
        for point in row.points.all()
    ]
    rated = model.rated_load * units.LOAD[model.load_unit] / units.LOAD[row.load_unit]
    return figures(typed, rated_load=rated)


def figures(points: Sequence[Mapping[str, Any]], *, rated_load: float) -> dict[str, Any] | None:
    """Return the figures of one calibration, in % of rated capacity.

    Parameters
    ----------
    points : sequence of mapping
        Each with `load`, `reading` and `direction` (up, down).
    rated_load : float
        The sensor model's rated capacity [the unit of the loads].

    Returns
    -------
    dict or None
        None where there are fewer than three distinct loads (closer than 0.5 % of rated load
        counts as one), or the readings do not change with them. A figure that the run cannot
        give is None: hysteresis and zero return without falling points, repeatability and lack
        of fit without repeated loads.

    Notes
    -----
    Every figure is a ratio to the reading that the rated load makes; the reading's unit falls out.
    """
    load = np.array([point["load"] for point in points], dtype=np.float64)
    if _levels(load, rated_load) < FEWEST_LEVELS:
        return None
    reading = np.array([point["reading"] for point in points], dtype=np.float64)
    falling = np.array([point["direction"] == Direction.DOWN for point in points])
    nothing = np.zeros_like(load)
    run = Points(load, reading, nothing, nothing, np.array([len(load)]))
    rated = np.array([rated_load])
    try:
        found = multipoint.run_figures(run, falling, rated)
        shape = nonlinearity.diagnose_nonlinearity(run, rated)
    except ValueError:  # the readings do not change with the load: % of capacity means nothing
        return None
    return {"method": METHOD} | _run(found) | _shape(shape)


def _levels(load: Floats, rated_load: float) -> int:
    """Count the loads that are further apart than what counts as one."""
    apart = rated_load * multipoint.SAME_LOAD_PCT / 100.0
    return 1 + int((np.diff(np.sort(load)) > apart).sum()) if len(load) else 0


def _run(found: multipoint.RunFigures) -> dict[str, Any]:
    straight = bool(found.has_nonlinearity[0])
    repeated = bool(found.has_repeatability[0])
    return {
        "terminal_nonlinearity_pct": _given(found.terminal_pct, there=straight),
        "best_fit_nonlinearity_pct": _given(found.best_fit_pct, there=straight),
        "hysteresis_pct": _given(found.hysteresis_pct, there=bool(found.has_hysteresis[0])),
        "repeatability_pct": _given(found.repeatability_pct, there=repeated),
        "repeatability_sd_pct": _given(found.repeatability_sd_pct, there=repeated),
        "repeatability_degrees_of_freedom": int(found.repeatability_dof[0]),
        "zero_return_pct": _given(found.zero_return_pct, there=bool(found.has_zero_return[0])),
    }


def _shape(shape: nonlinearity.Nonlinearity) -> dict[str, Any]:
    curved = bool(shape.has_curvature[0])
    tested = bool(shape.has_lack_of_fit[0])
    return {
        "curve_order": int(shape.order[0]) if curved else None,
        "p_quadratic": _given(shape.p_quadratic, there=curved),
        "p_cubic": _given(shape.p_cubic, there=curved and np.isfinite(shape.p_cubic[0])),
        "bend_pct": _given(shape.bend_pct, there=curved),
        "lack_of_fit_f": _given(shape.lack_of_fit_f, there=tested),
        "p_lack_of_fit": _given(shape.lack_of_fit_p, there=tested),
    }


def _given(values: Floats, *, there: bool) -> float | None:
    return float(values[0]) if there else None
