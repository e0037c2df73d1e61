"""A digest of what follows: it shows in one number whether anything is another than is stored."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import compress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.columns import halves
from calibration.metrology import fit
from calibration.outcomes import METHOD, Columns, Outcome
from calibration.packing import WIDTH

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Words = NDArray[np.uint64]

# What others' verdicts rest on beside a line: the step to it.
STEP = ("step", "u_step", "step_reference", "season")

_ODD = np.uint64(0x9E3779B97F4A7C15)
_SHIFT = np.uint64(29)


@dataclass(frozen=True)
class Digests:
    """Numbers that change with anything that follows.

    64 bits over every column and cause; they show change, they are no proof against forgery.

    Attributes
    ----------
    sensor : (M,) array
        Key of each calibration's sensor, ascending.
    each : (M, 2) array
        Digests of what others' verdicts rest on (its fit, and its step) and of its judgement.
    seed
        Changes with the methods and with the columns that they fill.
    """

    sensor: Ints
    each: Words
    seed: np.uint64

    def of(self, sensor: Ints) -> Ints:
        """Return a number for each of these sensors, (N,): the sum of its calibrations'."""
        since, until = (
            np.searchsorted(self.sensor, sensor, side=side) for side in ("left", "right")
        )
        return self.summed(self.each, since, until)

    def summed(self, each: Words, since: Ints, until: Ints) -> Ints:
        """Return what sensors come to whose digests stand at these places of `each`, (N,)."""
        running = np.concatenate((np.zeros(1, dtype=np.uint64), np.cumsum(each.sum(axis=1))))
        return np.asarray((self.seed + running[until] - running[since]).view(np.int64))

    def unknown(self, stored: Sequence[bytes], outcome: Ints) -> tuple[Bools, Ints]:
        """Return which digests are not among those stored, (M, 2), and how many are, (N,).

        Parameters
        ----------
        stored
            Sixteen bytes for each calibration, of N sensors; earlier releases stored eight.
        outcome : (N,) array
            What they came to; where they do not, they are not believed, and count as none.
        """
        sizes = np.fromiter(map(len, stored), np.int64, len(stored))
        whole = sizes % WIDTH == 0
        until = np.cumsum(sizes[whole]) // WIDTH
        since = np.concatenate((np.zeros(1, dtype=np.int64), until[:-1]))
        each = np.frombuffer(b"".join(compress(stored, whole)), dtype=np.uint64).reshape(-1, 2)
        sound = self.summed(each, since, until) == outcome[whole]
        believed = np.zeros(len(stored), dtype=np.int64)
        believed[np.flatnonzero(whole)[sound]] = (until - since)[sound]
        return ~np.isin(self.each, each[np.repeat(sound, until - since)]), believed

    def never_stored(self, unknown: Bools, sensor: Ints, believed: Ints) -> Bools:
        """Return which calibrations follow from nothing that was judged before, (M,).

        Where all digests that were stored of a sensor are found again, the others are new.

        Parameters
        ----------
        unknown : (M,) array
            Where the digest of its line is not among those stored.
        sensor, believed : (N,) arrays
            Keys, and how many digests are stored of each.
        """
        since, until = (
            np.searchsorted(self.sensor, sensor, side=side) for side in ("left", "right")
        )
        running = np.zeros(len(unknown) + 1, dtype=np.int64)
        np.cumsum(~unknown, out=running[1:])
        found = running[until] - running[since]
        all_found = sensor[(found == believed) & (believed > 0)]
        return unknown & np.isin(self.sensor, all_found)


def digests(outcome: Outcome) -> Digests:
    """Return the digests of what follows."""
    weighed = outcome.weighed
    judged = _mixed(outcome.judgements)
    if len(weighed.index):
        judged[weighed.index] = _mixed_into(judged[weighed.index], weighed.chances.T)
    each = np.zeros((len(outcome.history), 2), dtype=np.uint64)
    keep = weighed.case.keep
    each[keep, 1] = judged
    line = _mixed(outcome.fits)
    line[keep] = _mixed_into(line[keep], [outcome.judgements[name] for name in STEP])
    each[:, 0] = line
    methods = f"2 {fit.METHOD} {METHOD} {sorted(outcome.fits)} {sorted(outcome.judgements)}"
    seed = int.from_bytes(hashlib.sha256(methods.encode()).digest()[:8], "little")
    return Digests(outcome.history.sensor, each, np.uint64(seed))


def _mixed(columns: Columns) -> Words:
    mixed = np.zeros(len(next(iter(columns.values()))), dtype=np.uint64)
    return _mixed_into(mixed, columns.values())


def _mixed_into(mixed: Words, columns: Iterable[NDArray[Any]]) -> Words:
    for column in columns:
        for bits in _bits(column):
            mixed ^= bits
            mixed *= _ODD
            mixed ^= mixed >> _SHIFT
    return mixed


def _bits(column: NDArray[Any]) -> list[Words]:
    """Sixty-four bits of each value; all NaN alike."""
    if column.dtype.kind == "V":
        return list(halves(column).T)
    if column.dtype.kind == "f":
        return [(np.where(np.isnan(column), np.nan, column)).view(np.uint64)]
    return [column.astype(np.int64).view(np.uint64)]
