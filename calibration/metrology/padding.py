"""Sums along a padded axis that give the same bits however wide the padding is.

``numpy.sum`` adds in an order that depends on the length of the axis, so the same sensor padded
to another width would differ in the last digit. Here the columns are added one after the other;
the loop runs over the few seasons or points, never over sensors.
"""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


def total(values: FloatArray) -> FloatArray:
    """Return the sum over the last axis, column after column.

    Parameters
    ----------
    values : ndarray, shape (..., k)
        Padded with zeros [any unit].

    Returns
    -------
    ndarray, shape (...)
        The sums [same unit].
    """
    result = np.zeros(values.shape[:-1])
    for column in range(values.shape[-1]):
        result = result + values[..., column]
    return result


def steady(values: FloatArray) -> FloatArray:
    """Return values to 40 of their 53 binary digits, twelve decimal ones: no noise of summation.

    Parameters
    ----------
    values : ndarray
        Any shape; magnitudes below 1e300 [any unit].

    Returns
    -------
    ndarray
        The same shape [same unit].

    References
    ----------
    T. J. Dekker, "A floating-point technique for extending the available precision", Numerische
    Mathematik 18 (1971) 224-242, section 5 (the splitting of a number).
    """
    scaled = values * (2.0**13 + 1.0)
    return np.asarray(scaled - (scaled - values))


def floats(name: str, values: object, shape: tuple[int, ...] | None = None) -> FloatArray:
    """Return values as contiguous floats, broadcast to a shape.

    Parameters
    ----------
    name : str
        What the message calls the argument.
    values : array_like
        Numbers [any unit].
    shape : tuple of int, optional
        The shape that they are to have.

    Returns
    -------
    ndarray
        A contiguous copy or view [same unit].

    Raises
    ------
    ValueError
        If they cannot be broadcast to the shape; the message names the argument.
    """
    array = np.asarray(values, dtype=np.float64)
    if shape is None or array.shape == shape:
        return np.ascontiguousarray(array)
    try:
        return np.ascontiguousarray(np.broadcast_to(array, shape))
    except ValueError as error:
        message = f"{name}: shape {array.shape} does not fit {shape}"
        raise ValueError(message) from error


def columns(name: str, values: object, shape: tuple[int, int]) -> FloatArray:
    """Return a table as contiguous floats, one row a column of it.

    Parameters
    ----------
    name : str
        What the message calls the argument.
    values : array_like
        Numbers [any unit].
    shape : tuple of int
        The shape (N, k) that they are to have.

    Returns
    -------
    ndarray, shape (k, N)
        A contiguous copy or view [same unit]: what is done to all N at once then runs through
        memory in one go.

    Raises
    ------
    ValueError
        If they cannot be broadcast to the shape; the message names the argument.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.shape != shape:
        array = floats(name, array, shape)
    return np.ascontiguousarray(array.T)


def normal_quantile(probability: float) -> float:
    """Return the standard normal quantile [1] of a probability strictly between 0 and 1 [1].

    Raises
    ------
    ValueError
        If the probability is not strictly between 0 and 1.
    """
    if not 0.0 < probability < 1.0:
        message = f"probability: {probability} is not between 0 and 1"
        raise ValueError(message)
    from scipy.special import ndtri

    return float(ndtri(probability))
