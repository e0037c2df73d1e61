"""Ranked causes of a surprising calibration, from explicit likelihoods and priors.

The table of causes is in `causes`, the likelihoods are in `likelihoods`; here Bayes' rule puts
them together: ``P(cause | numbers) ~ prior(cause) * P(numbers | cause)``.
"""

from dataclasses import dataclass

import numpy as np

from calibration.metrology import likelihoods
from calibration.metrology.causes import CAUSES, PRIOR_HEALTHY, Cause
from calibration.metrology.deviations import Deviations
from calibration.metrology.evidence import Evidence
from calibration.metrology.padding import FloatArray

METHOD = "causes/4"


@dataclass(frozen=True)
class Diagnosis:
    """Causes of M calibrations.

    Attributes
    ----------
    probabilities : ndarray, shape (M, len(table))
        Probability of each cause, given that something is wrong; rows add up to 1 [1].
    healthy : ndarray, shape (M,)
        Probability that nothing is wrong [1].
    """

    probabilities: FloatArray
    healthy: FloatArray


def diagnose(evidence: Evidence, table: tuple[Cause, ...] = CAUSES) -> Diagnosis:
    """Return the probabilities of all causes for M calibrations.

    Parameters
    ----------
    evidence : Evidence
        What was measured, what was expected and what is known beside it.
    table : tuple of Cause
        The causes with their priors and sizes; columns of the answer in this order.

    Returns
    -------
    Diagnosis

    Raises
    ------
    ValueError
        If an array does not fit the others or a required value is not finite; see `Evidence`.

    Notes
    -----
    Each likelihood is the probability of the two typed readings (to their last digit) under the
    cause, so that causes with an exact prediction (copied numbers, a reading at the rail) and
    causes with a spread compare. A second component with an ageing cell (`causes.ALSO_MOVED`)
    keeps a cause alive where the cell has moved a little as well.
    """
    seen = Deviations(evidence, table)
    # One row a cause: a sum over causes then adds row by row, in the same order for any M.
    logs = likelihoods.log_likelihoods(seen, [cause.code for cause in table])
    logs += np.log([cause.prior for cause in table])[:, None]
    top = logs.max(axis=0)
    weights = np.exp(logs - top)
    whole = np.zeros(len(top))
    for weight in weights:
        whole = whole + weight
    healthy = likelihoods.healthy(seen) + np.log(PRIOR_HEALTHY / (1.0 - PRIOR_HEALTHY))
    odds = healthy - (np.log(whole) + top)
    return Diagnosis(
        probabilities=np.ascontiguousarray((weights / whole).T),
        healthy=1.0 / (1.0 + np.exp(np.clip(-odds, -700.0, 700.0))),
    )


def ranked(
    row: FloatArray, *, at_least: float = 0.01, at_most: int = 5
) -> list[dict[str, str | float]]:
    """Return the causes of one calibration, most probable first.

    Parameters
    ----------
    row : ndarray, shape (len(CAUSES),)
        One row of `Diagnosis.probabilities` [1].
    at_least : float
        Causes less probable than this are left out, but never the first one [1].
    at_most : int
        How many to give.

    Returns
    -------
    list of dict
        With `code`, `probability`, `says`, `check`.
    """
    order = np.argsort(-row, kind="stable")[:at_most]
    return [
        {
            "code": CAUSES[index].code,
            "probability": float(row[index]),
            "says": CAUSES[index].says,
            "check": CAUSES[index].check,
        }
        for place, index in enumerate(order)
        if place == 0 or row[index] >= at_least
    ]


def remedy(row: FloatArray) -> str:
    """Return what to do after all: repeat, correct the record, see to the cell, the reference.

    Parameters
    ----------
    row : ndarray, shape (len(CAUSES),)
        One row of `Diagnosis.probabilities` [1].

    Returns
    -------
    str
        The remedy with the greatest probability over all its causes.
    """
    sums: dict[str, float] = {}
    for cause, probability in zip(CAUSES, row, strict=True):
        sums[cause.remedy] = sums.get(cause.remedy, 0.0) + float(probability)
    return max(sums, key=lambda name: sums[name])
