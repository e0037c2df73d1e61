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


def freedom_of_lines(
    dof: Floats | NDArray[np.int64], birge_ratio: Floats, stated: NDArray[np.bool_]
) -> Floats:
    """Return the effective degrees of freedom of the uncertainties of fitted lines.

    Parameters
    ----------
    dof : (M,) array
        Degrees of freedom of the residuals; 0 where there are none.
    birge_ratio : (M,) array [1]
        Observed over expected scatter; above 1, it has widened the uncertainties.
    stated : (M,) array of bool
        False where no uncertainty was given and the residuals alone give the scale.

    Returns
    -------
    (M,) array
        Infinite where the uncertainty is the stated one.

    Notes
    -----
    A line's uncertainty is the stated one (known) and, where the Birge ratio B inflated it, an
    excess with the residuals' degrees of freedom nu. By Welch-Satterthwaite on variances 1 and
    B^2 - 1: ``nu B^4 / (B^2 - 1)^2``, infinite without inflation and nu where residuals alone
    give the scale. (Our choice; the sources take one case or the other.)
    """
    known = np.where(dof > 0, dof, np.inf)
    square = np.maximum(birge_ratio, 1.0) ** 2
    excess = np.where(square > 1.0, square - 1.0, 1.0)
    inflated = np.where(square > 1.0, known * (square / excess) ** 2, np.inf)
    return np.where(stated, inflated, known)
