"""Who is judged together: sensors of one dealer, whose verdicts rest on one another.

They were calibrated with the same references on the same days. Judged apart, each part would mark
the others' sensors, and all would be judged once more.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibration import columns
from calibration.beside import Beside
from calibration.models import StaleSensor
from fleet.models import Sensor

Ints = NDArray[np.int64]

BATCH = 2000  # sensors judged in one transaction, where each can be judged without the others
TOGETHER = 6_000  # of one dealer at most: some seconds for which posts to its sensors wait
_DEALERS = Beside(Sensor.objects.all, {"dealer": ("dealer", "key")}, key="pk")


def by_dealer(sensor: Ints) -> tuple[Ints, Ints]:
    """Return sensors by dealer and key, and the dealer of each.

    Parameters
    ----------
    sensor : (N,) array
        Keys, each once, ascending.
    """
    dealer = _DEALERS.of(sensor)["dealer"]
    order = np.argsort(dealer, kind="stable")
    return sensor[order], dealer[order]


def marked(first: int, last: int, *, anew: datetime | None = None) -> tuple[Ints, Ints]:
    """Return the marked sensors of the dealers in a range of keys, as `by_dealer`.

    Those that were marked `anew`, from a moment on, come after the others.
    """
    rows = StaleSensor.objects.filter(sensor__dealer__gte=first, sensor__dealer__lte=last)
    found = columns.read(
        rows.order_by().values_list("pk", "sensor__dealer", "since"),
        sensor="key",
        dealer="key",
        since="moment",
    )
    later = np.zeros(len(found["since"]), dtype=bool)
    if anew is not None:
        later = found["since"] >= columns.moment_of(anew)
    order = np.lexsort((found["sensor"], found["dealer"], later))
    return found["sensor"][order], found["dealer"][order]


def batches(sensor: Sequence[int], dealer: Ints | None = None) -> Iterator[Sequence[int]]:
    """Yield sensors in batches of one transaction each.

    Parameters
    ----------
    sensor : sequence of N keys
    dealer : (N,) array, optional
        Of each: what stands side by side of one dealer is not divided then, up to `TOGETHER`.
    """
    each = np.arange(len(sensor)) if dealer is None else dealer
    ends = np.flatnonzero(np.diff(each, append=-2)) + 1
    at = 0
    while at < len(sensor):
        several, whole = np.searchsorted(ends, (at + BATCH, at), side="right")
        until = ends[several - 1] if several > whole else min(ends[whole], at + TOGETHER)
        yield sensor[at : int(until)]
        at = int(until)
