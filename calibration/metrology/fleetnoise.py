"""What sound cells of one model do by themselves, learnt from the fleet, and first expectations.

References
----------
.. [1] J. Durbin, S. J. Koopman, "Time Series Analysis by State Space Methods", 2nd ed., Oxford
   2012, section 7.2 (likelihood from the innovations).
.. [2] A. Gelman et al., "Bayesian Data Analysis", 3rd ed., CRC 2013, section 13.2 (posterior mode
   with a weak prior as regularisation).
.. [3] F. R. Hampel, "The influence curve and its role in robust estimation", JASA 69 (1974)
   383-393 (median absolute deviation, factor 1.4826).
"""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.expectation import expect
from calibration.metrology.padding import BoolArray, FloatArray, IntArray
from calibration.metrology.series import Noise, Prior, Series

METHOD = "fleet-noise/2"

# Defaults, standard deviations: walk of the slope a year, of the zero (rated loads) a year, and
# what setting up anew adds to slope and zero (little: the field repeatability of a reading holds
# most of it). Common practice, no source.
DEFAULT = (0.005, 0.003, 0.0005, 0.0002)

# How far from the default the fleet may pull them: standard deviation of the natural logarithm.
FREEDOM = 1.0

# Fewer calibrations that follow another one than this: the defaults stand.
FEWEST_STEPS = 30

# As many segments of a model as this tell enough; the first ones in the order given are taken.
MOST_SEGMENTS = 800

# Fewer siblings than this say nothing.
FEWEST_SIBLINGS = 5

# What a sibling prior allows at least: relative slope, zero in rated loads.
SIBLING_SPREAD = (0.02, 0.02)


@dataclass(frozen=True)
class ModelNoise:
    """Noise of G sensor models.

    Attributes
    ----------
    walk_slope, walk_zero : ndarray, shape (G,)
        Variance a year of the relative slope, of the zero in rated loads [1/year].
    extra_slope, extra_zero : ndarray, shape (G,)
        Variance that setting up anew adds [1].
    steps : ndarray of int, shape (G,)
        Calibrations that follow another one of their segment.
    estimated : ndarray of bool, shape (G,)
        False: too few, the defaults stand.
    """

    walk_slope: FloatArray
    walk_zero: FloatArray
    extra_slope: FloatArray
    extra_zero: FloatArray
    steps: IntArray
    estimated: BoolArray

    def of(self, model: IntArray) -> Noise:
        """Return the noise of N segments whose sensors are of these models, shape (N,)."""
        return Noise(
            self.walk_slope[model],
            self.walk_zero[model],
            self.extra_slope[model],
            self.extra_zero[model],
        )


def default_noise(count: int) -> Noise:
    """Return the default noise for N segments."""
    return Noise(*(np.full(count, value**2) for value in DEFAULT))


def model_noise(series: Series, model: IntArray, count: int) -> ModelNoise:
    """Estimate the noise of G sensor models from their calibrations.

    Parameters
    ----------
    series : Series
        M calibrations of N segments.
    model : ndarray of int, shape (N,)
        Sensor model of each segment, 0 to count - 1.
    count : int
        G.

    Returns
    -------
    ModelNoise

    Notes
    -----
    Greatest posterior [1]_ [2]_: the log likelihood of the filter's innovations, jumps included
    (so that drifted cells do not widen what sound ones do), and a normal prior on the logarithm
    of each standard deviation about `DEFAULT` with `FREEDOM`. Nelder-Mead on the four logarithms.
    """
    steps = np.bincount(model, weights=series.length - 1, minlength=count).astype(np.int64)
    values = np.tile(np.log(DEFAULT), (count, 1))
    estimated = steps >= FEWEST_STEPS
    for number in np.flatnonzero(estimated):  # over sensor models, of which there are few
        mine = np.flatnonzero((model == number) & (series.length > 1))
        values[number] = _most_probable(series.take(mine[:MOST_SEGMENTS]))
    variance = np.exp(2.0 * values)
    return ModelNoise(
        variance[:, 0], variance[:, 1], variance[:, 2], variance[:, 3], steps, estimated
    )


def sibling_prior(series: Series, family: IntArray) -> Prior:
    """Return what the first calibrations of siblings lead one to expect of a first calibration.

    Parameters
    ----------
    series : Series
        M calibrations of N segments.
    family : ndarray of int, shape (N,)
        Equal for sensors of one model and lot; negative for none.

    Returns
    -------
    Prior
        Median of the siblings, itself included, and their spread, never below `SIBLING_SPREAD`;
        NaN for families of fewer than `FEWEST_SIBLINGS`.

    Notes
    -----
    Spread: 1.4826 times the median absolute deviation [3]_.
    """
    slope, offset, scale = series.unit
    middle_slope, middle_offset = _median_of(slope, family), _median_of(offset, family)
    spread_slope = 1.4826 * _median_of(np.abs(slope - middle_slope), family)
    spread_offset = 1.4826 * _median_of(np.abs(offset - middle_offset), family)
    least_slope = SIBLING_SPREAD[0] * np.abs(middle_slope)
    least_offset = SIBLING_SPREAD[1] * np.abs(_median_of(scale, family))
    return Prior(
        middle_slope,
        middle_offset,
        np.maximum(spread_slope, least_slope) ** 2,
        np.maximum(spread_offset, least_offset) ** 2,
    )


def tag_prior(
    slope: FloatArray, offset: FloatArray, rated_load: FloatArray, siblings: Prior
) -> Prior:
    """Return the prior from the tags, and from the siblings where a cell has no tag.

    Parameters
    ----------
    slope, offset : ndarray, shape (N,)
        Slope and offset by the tag, NaN where there is none [reading/N], [reading].
    rated_load : ndarray, shape (N,)
        [N].
    siblings : Prior
        For cells without a tag.

    Returns
    -------
    Prior
    """
    there = np.isfinite(slope) & np.isfinite(offset)
    wide_slope = (SIBLING_SPREAD[0] * slope) ** 2
    wide_offset = (SIBLING_SPREAD[1] * slope * rated_load) ** 2
    return Prior(
        np.where(there, slope, siblings.slope),
        np.where(there, offset, siblings.offset),
        np.where(there, wide_slope, siblings.var_slope),
        np.where(there, wide_offset, siblings.var_offset),
    )


def _most_probable(series: Series) -> FloatArray:
    """Return the logarithms of the four standard deviations with the greatest posterior."""
    from scipy.optimize import minimize

    start = np.log(DEFAULT)
    count = len(series.rated_load)

    def cost(logs: FloatArray) -> float:
        noise = Noise(*(np.full(count, value) for value in np.exp(2.0 * logs)))
        fit = expect(series, noise).log_likelihood.sum()
        return float(0.5 * (((logs - start) / FREEDOM) ** 2).sum() - fit)

    simplex = np.vstack([start, start + 0.7 * np.eye(4)])
    options = {"initial_simplex": simplex, "xatol": 0.03, "fatol": 0.05, "maxfev": 250}
    return np.asarray(minimize(cost, start, method="Nelder-Mead", options=options).x)


def _median_of(values: FloatArray, family: IntArray) -> FloatArray:
    """Return the median of each value's family, NaN where it is too small or none."""
    order = np.lexsort((values, family))
    ordered = family[order]
    low = np.searchsorted(ordered, family, side="left")
    high = np.searchsorted(ordered, family, side="right")
    size = high - low
    ranked = values[order]
    if len(values) == 0:
        return values
    middle = 0.5 * (ranked[low + (size - 1) // 2] + ranked[low + size // 2])
    return np.where((family >= 0) & (size >= FEWEST_SIBLINGS), middle, np.nan)
