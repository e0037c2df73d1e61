"""Who is judged together: sensors of one dealer, whose verdicts rest on one another.

They were calibrated with the same references on the same days. Judged apart, each part would mark
the others' sensors, and all would be judged once more.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import NamedTuple

import numpy as np
from django.db.models import Q
from numpy.typing import NDArray

from calibration import columns
from calibration.beside import Beside
from calibration.models import StaleSensor
from fleet.models import Sensor

Ints = NDArray[np.int64]

BATCH = 2000  # sensors judged in one transaction, where each can be judged without the others
TOGETHER = 6_000  # of one dealer at most: some seconds for which posts to its sensors wait
_DEALERS = Beside(Sensor.objects.all, {"dealer": ("dealer", "key")}, key="pk")


class Span(NamedTuple):
    """The companies, or the dealers, whose keys are in a range."""

    first: int
    last: int

    def among(self, name: str) -> Q:
        """Return the condition that a field names one of them."""
        return Q(**{f"{name}__gte": self.first, f"{name}__lte": self.last})


def spans(counts: Iterable[tuple[int, int]], most: int) -> list[tuple[Span, int]]:
    """Cut companies or dealers, each with so many sensors, into spans; none is divided.

    Returns each span and how many sensors it has.
    """
    cut: list[tuple[Span, int]] = []
    for key, sensors in counts:
        if cut and cut[-1][1] + sensors <= most:
            span, before = cut.pop()
            cut.append((Span(span.first, key), before + sensors))
        else:
            cut.append((Span(key, key), sensors))
    return cut


def dealers_of(sensor: Ints) -> Ints:
    """Return the dealer of each sensor (ascending keys), (N,)."""
    dealer: Ints = _DEALERS.of(sensor)["dealer"]
    return dealer


def by_dealer(sensor: Ints) -> tuple[Ints, Ints]:
    """Return sensors by dealer and key, and the dealer of each.

    Parameters
    ----------
    sensor : (N,) array
        Keys, each once, ascending.
    """
    dealer = dealers_of(sensor)
    order = np.argsort(dealer, kind="stable")
    return sensor[order], dealer[order]


def marked(span: Span, *, anew: datetime | None = None) -> tuple[Ints, Ints]:
    """Return the marked sensors of these dealers, as `by_dealer`.

    Those that were marked `anew`, from a moment on, come after the others.
    """
    rows = StaleSensor.objects.filter(span.among("sensor__dealer"))
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
