"""The factors by which a line's uncertainties are expanded, from what an answer says of it."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from calibration.metrology.coverage import (
    coverage_factor,
    effective_degrees_of_freedom,
    freedom_of_lines,
)

USUAL_FACTOR = 2.0  # covers about 95 % of a normal distribution (JCGM 100:2008, 6.3.3)


def coverage_factors(fit: Mapping[str, Any]) -> dict[str, float]:
    """Return k of the slope and of the offset, for a level of about 95 %.

    Parameters
    ----------
    fit : mapping
        The `fit` of a calibration's answer.

    Returns
    -------
    dict
        2, or Student's t at the effective degrees of freedom where that is more (JCGM 100:2008,
        G.4.1 and G.6.4). The reference's share of the slope counts as known.
    """
    birge = fit["birge_ratio"]
    # A ratio of exactly 1 is that of a line whose scale comes from the residuals alone.
    stated = np.array([birge is None or birge != 1.0])
    freedom = freedom_of_lines(
        np.array([fit["degrees_of_freedom"]]), np.array([birge or 1.0]), stated
    )[0]
    random, whole = fit["u_slope_random"], fit["u_slope"]
    parts = np.array([random, np.sqrt(max(whole**2 - random**2, 0.0))])
    of_slope = effective_degrees_of_freedom(parts, np.array([freedom, np.inf]))
    factors = coverage_factor(np.array([of_slope, freedom]))
    slope, offset = (max(USUAL_FACTOR, float(k)) for k in factors)
    return {"slope": slope, "offset": offset}
