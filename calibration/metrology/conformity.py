"""Conformity: how probable it is that a quantity lies beyond its tolerance, and E_n numbers."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

EN_LIMIT = 1e6  # an E_n of more says no more; keeps the result finite where u is zero


def probability_beyond(value: Floats, u: Floats, lower: Floats, upper: Floats) -> Floats:
    """Return the probability that the true value lies outside the tolerance interval.

    Parameters
    ----------
    value, u : arrays [any unit]
        Best estimate and its standard uncertainty (normal distribution). Where u is zero, the
        answer is 0 or 1.
    lower, upper : arrays [the same unit]
        Limits of tolerance; infinite on the side that has none.

    Returns
    -------
    array [1]
        ``1 - p_c``, with the conformance probability p_c of the source.

    References
    ----------
    JCGM 106:2012, 7.2 to 7.4, equations 7 to 11.
    """
    from scipy.special import ndtr

    scale = np.where(u > 0, u, 1.0)
    above = np.where(u > 0, ndtr((value - upper) / scale), value > upper)
    below = np.where(u > 0, ndtr((lower - value) / scale), value < lower)
    return np.asarray(above + below, dtype=np.float64)


def p_out(change: Floats, u_change: Floats, tolerance: Floats) -> Floats:
    """Return the probability that a change lies beyond +- tolerance (JCGM 106:2012, 7.4)."""
    return probability_beyond(change, u_change, -tolerance, +tolerance)


def en_number(difference: Floats, u_difference: Floats, coverage_factor: float = 2.0) -> Floats:
    """Return E_n: a difference over its expanded uncertainty.

    Parameters
    ----------
    difference, u_difference : arrays [any unit]
        Difference of two results and its standard uncertainty, common parts already cancelled.
    coverage_factor : float
        k of the expanded uncertainty; 2 by convention.

    Returns
    -------
    array [1]
        |E_n| <= 1: the results agree. Clipped to +-1e6, so that zero uncertainty stays finite.

    References
    ----------
    ISO 13528:2015, 9.7.
    """
    expanded = coverage_factor * u_difference
    ratio = difference / np.where(expanded > 0, expanded, 1.0)
    certain = np.sign(difference) * EN_LIMIT
    return np.asarray(np.clip(np.where(expanded > 0, ratio, certain), -EN_LIMIT, EN_LIMIT))
