"""The mixtures of normal distributions that describe cells, and references that moved."""

import numpy as np

from calibration.metrology.padding import FloatArray

# How cells calibrated together differ from their common change, beside their own variance:
# (standard deviation of the relative slope, share). Common practice, no source.
CELLS = ((0.0, 0.78), (0.015, 0.10), (0.06, 0.09), (0.6, 0.03))

# How often a reference or converter has moved although its certificate does not allow it, and
# how far (standard deviation, relative). Not thought of where fewer than three others speak.
MOVED = (0.02, 0.06)
FEWEST_OTHERS = 3

# Below this a density says nothing any more; its inverse can still be added up.
_LEAST = 1e-250


class Mixture:
    """A mixture of normal distributions about 0 on top of a variance of each of M rows.

    Parameters
    ----------
    variance : ndarray, shape (M,)
        Of each row, above 0 [1].
    parts : tuple of (float, float)
        Standard deviation [1] and share [1] of each component.
    """

    def __init__(self, variance: FloatArray, parts: tuple[tuple[float, float], ...]) -> None:
        self.inverse = [1.0 / (variance + spread**2) for spread, _ in parts]
        self.height = [
            share * np.sqrt(inverse / (2.0 * np.pi))
            for (_, share), inverse in zip(parts, self.inverse, strict=True)
        ]
        self.exponent = [-0.5 * inverse for inverse in self.inverse]

    def density(self, square: FloatArray) -> FloatArray:
        """Return the density at a squared distance, rows on the last axis; at least 1e-250."""
        whole, part = np.empty_like(square), np.empty_like(square)
        for number, (height, exponent) in enumerate(zip(self.height, self.exponent, strict=True)):
            out = part if number else whole
            np.multiply(square, exponent, out=out)
            np.exp(out, out=out)
            out *= height
            if number:
                whole += part
        return np.maximum(whole, _LEAST, out=whole)

    def precision(self, square: FloatArray) -> FloatArray:
        """Return the mean of 1/variance over the components, by their probabilities here."""
        whole, top = np.full_like(square, _LEAST), np.zeros_like(square)
        part = np.empty_like(square)
        for height, exponent, inverse in zip(
            self.height, self.exponent, self.inverse, strict=True
        ):
            np.multiply(square, exponent, out=part)
            np.exp(part, out=part)
            part *= height
            whole += part
            part *= inverse
            top += part
        top /= whole
        return top

    def last(self, square: FloatArray) -> FloatArray:
        """Return the density of the last component alone."""
        return np.asarray(self.height[-1] * np.exp(square * self.exponent[-1]))


def halved(values: FloatArray) -> FloatArray:
    """Return the sum over the first axis, half added to half: the same bits for one and many."""
    while len(values) > 1:
        middle = (len(values) + 1) // 2
        folded = values[:middle].copy()
        folded[: len(values) - middle] += values[middle:]
        values = folded
    return np.asarray(values[0])
