"""A digest of what follows: it shows in one number whether anything is another than is stored."""

import hashlib
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.columns import halves
from calibration.metrology import fit
from calibration.outcomes import METHOD, Columns, Outcome

Ints = NDArray[np.int64]

_ODD = np.uint64(0x9E3779B97F4A7C15)
_SHIFT = np.uint64(29)


def digest(outcome: Outcome, sensor: Ints) -> Ints:
    """Return a number for each of these sensors that changes with anything that follows.

    Parameters
    ----------
    outcome : Outcome
    sensor : (N,) array
        Sorted keys.

    Returns
    -------
    (N,) array
        64 bits over every column and cause; it shows change, it is no proof against forgery.
    """
    weighed = outcome.weighed
    judged = _mixed(outcome.judgements)
    if len(weighed.index):
        judged[weighed.index] = _mixed_into(judged[weighed.index], weighed.chances.T)
    methods = f"{fit.METHOD} {METHOD} {sorted(outcome.fits)} {sorted(outcome.judgements)}"
    seed = int.from_bytes(hashlib.sha256(methods.encode()).digest()[:8], "little")
    total = np.full(len(sensor), seed, dtype=np.uint64)
    for keys, values in (
        (outcome.history.sensor, _mixed(outcome.fits)),
        (weighed.case.history.sensor, judged),
    ):
        running = np.concatenate((np.zeros(1, dtype=np.uint64), np.cumsum(values)))
        since, until = (np.searchsorted(keys, sensor, side=side) for side in ("left", "right"))
        total += running[until] - running[since]
    return total.view(np.int64)


def _mixed(columns: Columns) -> NDArray[np.uint64]:
    mixed = np.zeros(len(next(iter(columns.values()))), dtype=np.uint64)
    return _mixed_into(mixed, columns.values())


def _mixed_into(mixed: NDArray[np.uint64], columns: Iterable[NDArray[Any]]) -> NDArray[np.uint64]:
    for column in columns:
        for bits in _bits(column):
            mixed ^= bits
            mixed *= _ODD
            mixed ^= mixed >> _SHIFT
    return mixed


def _bits(column: NDArray[Any]) -> list[NDArray[np.uint64]]:
    """Sixty-four bits of each value; all NaN alike."""
    if column.dtype.kind == "V":
        return list(halves(column).T)
    if column.dtype.kind == "f":
        return [(np.where(np.isnan(column), np.nan, column)).view(np.uint64)]
    return [column.astype(np.int64).view(np.uint64)]
