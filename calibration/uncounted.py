"""What sensors whose verdicts changed add to their lots, until somebody counts it.

Judging notes it, because it has it at hand; `fleetwide` takes it.
"""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibration import columns
from calibration.models import UncountedSensor

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Looks:
    """Looks at N sensors, up to and including the one at which each was first found out.

    Attributes
    ----------
    sensor : (N,) array
        Keys, each once, ascending.
    looks : (N,) array
        How many; -1 where that is to be read.
    first_out : (N,) array of V16
        The calibration that showed it; zeros where it was always in tolerance.
    p_out : (N,) array [1]
        How sure that was; NaN where it was always in tolerance.
    """

    sensor: Ints
    looks: Ints
    first_out: NDArray[np.void]
    p_out: NDArray[np.float64]


_KINDS: dict[str, columns.Kind] = {
    "sensor": "key",
    "looks": "key",
    "first_out": "uuid",
    "p_out": "real",
}


def leave(looks: Looks, *, now: datetime) -> None:
    """Note what these sensors add from now on.

    A note that is there is written again, and so waits for who is about to take it.
    """
    moment = np.full(len(looks.sensor), columns.moment_of(now))
    rows = columns.Incoming(_KINDS | {"since": "moment"}, vars(looks) | {"since": moment})
    columns.upsert(UncountedSensor, rows)


def take() -> Looks:
    """Return what was noted since it was last taken, and forget it.

    Call it in the transaction that counts it.
    """
    rows = UncountedSensor.objects.order_by("pk").select_for_update().values_list(*_KINDS)
    taken = Looks(**columns.read(rows, **_KINDS))
    UncountedSensor.objects.filter(columns.among("sensor", taken.sensor)).delete()
    return taken
