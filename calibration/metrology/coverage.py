"""Expanded uncertainty: effective degrees of freedom and the factor that they ask for."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEVEL = 0.95


def effective_degrees_of_freedom(u: Floats, dof: Floats) -> Floats:
    """Return the effective degrees of freedom of a combined standard uncertainty.

    Parameters
    ----------
    u : (..., K) array [any one unit]
        Independent contributions, each with its sensitivity factor.
    dof : (..., K) array
        Their degrees of freedom; infinite for a contribution that is known.

    Returns
    -------
    (...) array
        Infinite where no contribution of finite freedom counts.

    Raises
    ------
    ValueError
        If a contribution is negative or not finite, or a degree of freedom is not above zero.

    References
    ----------
    JCGM 100:2008, G.4.1, equation G.2b (Welch-Satterthwaite). Not truncated to an integer.
    """
    u, dof = np.broadcast_arrays(np.asarray(u, np.float64), np.asarray(dof, np.float64))
    if not np.isfinite(u).all() or (u < 0).any():
        raise ValueError("u: finite and not negative")
    if not (dof > 0).all():
        raise ValueError("dof: above zero")
    largest = u.max(axis=-1, keepdims=True)
    share = (u / np.where(largest > 0, largest, 1.0)) ** 2
    below = np.sum(share**2 / dof, axis=-1)
    above = np.sum(share, axis=-1) ** 2
    return np.asarray(np.where(below > 0, above / np.where(below > 0, below, 1.0), np.inf))


def coverage_factor(dof: Floats, level: float = LEVEL) -> Floats:
    """Return the two-sided t-factor for the degrees of freedom (JCGM 100:2008, table G.2)."""
    from scipy.special import stdtrit

    if not 0.0 < level < 1.0:
        raise ValueError(f"level: between 0 and 1, not {level}")
    return np.asarray(stdtrit(dof, (1.0 + level) / 2.0), dtype=np.float64)
