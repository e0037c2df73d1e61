"""Slips of the unit: which other unit the loads may have been measured in, and which one fits."""

import numpy as np

from calibration.metrology import causes
from calibration.metrology.deviations import IMPOSSIBLE, log_normal, log_sum
from calibration.metrology.padding import FloatArray, floats

_SAME = 1e-6

# A unit whose slope is further than this from what was expected explains nothing; common
# practice, no source.
FURTHEST = 0.1


def ratios(typed: FloatArray) -> FloatArray:
    """Return by how much the true loads exceed the typed ones, were they in each other unit.

    Parameters
    ----------
    typed : ndarray, shape (M,)
        Newtons in one of the load unit that was typed [N].

    Returns
    -------
    ndarray, shape (F, M)
        One row a factor of `causes.LOAD_FACTORS` [1].
    """
    return np.asarray(np.array(causes.LOAD_FACTORS)[:, None] / typed)


def shares(ratio: FloatArray, span: FloatArray) -> FloatArray:
    """Return how often a slip is one to each unit, before any reading is looked at.

    Parameters
    ----------
    ratio : ndarray, shape (F, M)
        As of `ratios` [1].
    span : ndarray, shape (F, M)
        The highest load, were it in each unit [rated load].

    Returns
    -------
    ndarray, shape (F, M)
        Columns add up to 1; 0 for the unit that was typed. A load that nobody would set counts
        less (`causes.PLAUSIBLE_LOAD`).
    """
    low, high, rarely = causes.PLAUSIBLE_LOAD
    other = np.abs(ratio - 1.0) > _SAME
    weights = other * np.where((span > low) & (span < high), 1.0, rarely)
    return np.asarray(weights / np.add.reduce(weights))


def unit_chances(
    typed: FloatArray, span: FloatArray, change: FloatArray, u_change: FloatArray
) -> FloatArray:
    """Return which unit the loads were measured in, given that they were typed in another one.

    Parameters
    ----------
    typed : ndarray, shape (M,)
        Newtons in one of the load unit that was typed [N].
    span : ndarray, shape (M,)
        The highest load as typed [rated load].
    change : ndarray, shape (M,)
        The slope as typed, divided by what was expected of it [1].
    u_change : ndarray, shape (M,)
        Relative standard uncertainty of this quotient [1].

    Returns
    -------
    ndarray, shape (F, M)
        Probability of each factor of `causes.LOAD_FACTORS`; columns add up to 1, or to 0 where
        no unit brings the slope within `FURTHEST` of what was expected.

    Raises
    ------
    ValueError
        If the arrays do not fit one another.

    Notes
    -----
    Loads that are really `ratio` times what was typed make a slope that is `ratio` times too
    great, so ``P(unit | change) ~ share(unit) N(change; ratio, (ratio u)^2)``. The zero is not
    looked at: at no load every unit says the same. As in `forms.placed`, the cell may have moved
    a little as well (`causes.ALSO_MOVED`).

    References
    ----------
    Bayes' rule. The factors: NIST SP 811 (2008), B.8; the shares are common practice, no source.
    """
    typed = floats("typed", typed)
    span = floats("span", span, typed.shape)
    change = floats("change", change, typed.shape)
    u_change = floats("u_change", u_change, typed.shape)
    ratio = ratios(typed)
    moved, _, seldom = causes.ALSO_MOVED
    own = u_change**2 + causes.FLOOR[0] ** 2
    logs = log_sum(
        [log_normal(change - ratio, ratio**2 * (own + extra)) for extra in (0.0, moved**2)],
        [1.0 - seldom, seldom],
    )
    fits = np.abs(change / ratio - 1.0) <= FURTHEST
    logs = np.where(fits, logs, IMPOSSIBLE)
    weights = fits * shares(ratio, span * ratio) * np.exp(logs - np.maximum.reduce(logs))
    whole = np.add.reduce(weights)
    return np.asarray(weights / np.where(whole > 0.0, whole, 1.0))
