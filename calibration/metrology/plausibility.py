"""What can be but surprises: loads far beyond the rated one, pressure left in the circuit."""

import numpy as np
from numpy.typing import NDArray

from calibration.metrology import causes
from calibration.metrology.padding import FloatArray, floats

# Nobody calibrates a cell with more than this many rated loads, and cells are commonly made to
# survive no more without harm: common practice, no source.
MOST_OF_RATED = 1.5
_ROUNDING = 1e-9  # a limit typed in another unit is still the limit

# Causes that are together more probable than this are as good as certain: of ten who are asked to
# look again at most one had measured well, and looked in vain. Common practice, no source.
NEAR_CERTAIN = 0.9

Bools = NDArray[np.bool_]


def beyond_rated(load: FloatArray, rated: FloatArray) -> Bools:
    """Return where a load is far beyond the rated one, in either direction.

    Parameters
    ----------
    load : ndarray, shape (M,)
        [N].
    rated : ndarray, shape (M,)
        The sensor model's rated load, above 0 [N].

    Returns
    -------
    ndarray of bool, shape (M,)
        True above `MOST_OF_RATED` rated loads; exactly so many are not beyond.

    Raises
    ------
    ValueError
        If the arrays do not fit one another.
    """
    load = floats("load", load)
    rated = floats("rated", rated, load.shape)
    return np.asarray(np.abs(load) > MOST_OF_RATED * rated * (1.0 + _ROUNDING))


def residual_pressure(pressure: FloatArray) -> Bools:
    """Return where the pressure beside a calibration is clearly above zero.

    Parameters
    ----------
    pressure : ndarray, shape (M,)
        As a gauge shows it, 0 when bled; NaN where none was written down [kPa].

    Returns
    -------
    ndarray of bool, shape (M,)
        True above the limit of `causes.RESIDUAL_PRESSURE`: common practice, no source.
    """
    return np.asarray(pressure > causes.RESIDUAL_PRESSURE[0])
