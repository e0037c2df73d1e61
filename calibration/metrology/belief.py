"""How probable it is that a cell is beyond tolerance, given also what sound cells usually do.

`conformity.p_out` takes the measured change and its uncertainty alone. Here the fleet speaks as
well: most cells walk a little, a few jump. The measured change of a sound fleet that happens to
stand near the tolerance is then mostly noise, and the probability says so.

References
----------
.. [1] JCGM 106:2012, 6.2 to 6.4 (prior and posterior knowledge of the measurand, Bayes' theorem),
   7.2 (probability from the posterior distribution).
"""

import numpy as np

from calibration.metrology.padding import FloatArray


def probability_beyond_tolerance(
    change: FloatArray,
    u_change: FloatArray,
    walk: FloatArray,
    tolerance: FloatArray,
    jumps: tuple[tuple[float, float], ...],
) -> FloatArray:
    """Return the posterior probability that the true change lies beyond +- tolerance.

    Parameters
    ----------
    change, u_change : ndarray, shape (M,)
        Measured change and its standard uncertainty, above 0 [any unit].
    walk : ndarray, shape (M,)
        Variance of a sound cell's change over the time between [unit^2].
    tolerance : ndarray, shape (M,)
        [unit].
    jumps : tuple of (standard deviation, share)
        What comes on top of the walk [unit], and how often [1]; a sound cell has (0, share).

    Returns
    -------
    ndarray, shape (M,)
        [1].

    Notes
    -----
    Prior: a mixture of normal distributions about 0. With a component of variance V the posterior
    [1]_ is normal about ``V / (V + u^2) change`` with variance ``V u^2 / (V + u^2)``.
    """
    from scipy.special import ndtr

    weights, beyond = [], []
    for size, share in jumps:
        prior = walk + size**2
        seen = prior + u_change**2
        mean = prior / seen * change
        spread = np.sqrt(np.maximum(prior, 1e-300) / seen) * u_change
        weights.append(np.log(share) - 0.5 * (change**2 / seen + np.log(seen)))
        beyond.append(ndtr((mean - tolerance) / spread) + ndtr((-tolerance - mean) / spread))
    top = np.maximum.reduce(weights)
    whole, part = np.zeros_like(change), np.zeros_like(change)
    for log, probability in zip(weights, beyond, strict=True):
        weight = np.exp(log - top)
        whole, part = whole + weight, part + weight * probability
    return part / whole
