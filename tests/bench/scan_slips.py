"""Slips of the pen and of the procedure in the bench's fleet: what was written down instead."""

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

UNIT, DIGITS, SWAPPED, PRELOADED = 1, 2, 3, 4
POUND = 0.45359237  # kg, exact


def written_down(
    rng: np.random.Generator, slips: Ints, load: Floats, reading: Floats, decimals: Ints,
    in_pounds: NDArray[np.bool_],
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return (M, 3) loads and readings with the slips of (M,) calibrations made.

    A load read off in pounds where the form says kilograms (or the other way round); two
    neighbouring digits of the span's reading exchanged; the readings of zero and span in each
    other's place; a zero taken with 5 to 20 % of the span's load on the cell.
    """
    load, reading = load.copy(), reading.copy()
    (at,) = np.nonzero(slips == UNIT)
    factor = np.where(in_pounds[at], POUND, 1.0 / POUND)
    load[at] = np.round(load[at] * factor[:, None], 1)
    (at,) = np.nonzero(slips == DIGITS)
    scale = 10.0 ** decimals[at]
    reading[at, 2] = _digits_exchanged(np.rint(reading[at, 2] * scale).astype(np.int64)) / scale
    (at,) = np.nonzero(slips == SWAPPED)
    reading[at] = reading[at, ::-1]
    (at,) = np.nonzero(slips == PRELOADED)
    scale = 10.0 ** decimals[at]
    pressed = rng.uniform(0.05, 0.2, len(at)) * (reading[at, 2] - reading[at, 0])
    reading[at, 0] = np.round((reading[at, 0] + pressed) * scale) / scale
    return load, reading


def _digits_exchanged(numbers: Ints) -> Ints:
    """Exchange hundreds and thousands."""
    hundreds, thousands = numbers // 100 % 10, numbers // 1000 % 10
    return numbers + (thousands - hundreds) * 100 + (hundreds - thousands) * 1000
