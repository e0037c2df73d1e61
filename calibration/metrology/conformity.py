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

    stated = u > 0
    every = bool(stated.all())
    scale = u if every else np.where(stated, u, 1.0)
    beyond = ndtr((value - upper) / scale) + ndtr((lower - value) / scale)
    if not every:
        beyond = np.where(stated, beyond, (value > upper) * 1.0 + (value < lower))
    return np.asarray(beyond, dtype=np.float64)


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
    stated = expanded > 0
    if stated.all():
        ratio = difference / expanded
    else:
        certain = np.sign(difference) * EN_LIMIT
        ratio = np.where(stated, difference / np.where(stated, expanded, 1.0), certain)
    return np.asarray(np.clip(ratio, -EN_LIMIT, EN_LIMIT))
