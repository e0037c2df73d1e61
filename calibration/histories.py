"""Histories of sensors as they are known: packed ones, and what was sealed since then.

So a new record costs the reading of its sensor's pack and of itself, however long that one's
history is. A pack holds the first records of its sensor's chain; where pack and later records
do not make up the whole chain, and where one of them names the moment of another, all are read.
"""

from collections.abc import Sequence

import numpy as np
from django.db.models import Exists, OuterRef, Q
from numpy.typing import NDArray

from calibration import columns
from calibration.models import Calibration, PackedHistory, StaleSensor
from calibration.packing import keep, unpack, whole
from calibration.recorded import Later, Recorded, merged, read_later, read_recorded

Ints = NDArray[np.int64]


def recorded_of(sensor_ids: Sequence[int]) -> Recorded:
    """Return what was recorded of these sensors, sorted by sensor and time.

    Call it with the sensors locked, or where nothing hangs on who seals meanwhile.
    """
    there = PackedHistory.objects.filter(whole(), columns.among("sensor", sensor_ids))
    packed, said = unpack(there)
    sensors, counts = said["sensor"], said["calibrations"]
    missing = np.setdiff1d(np.array(sensor_ids, dtype=np.int64), sensors)
    later = read_later(sensors.tolist()) if len(sensors) else None
    if later is not None and len(later.recorded):
        packed, unsure = _with_later(packed, later, sensors, counts)
        missing = np.union1d(missing, unsure)
        packed = packed.without(unsure)
    return merged(packed, read_recorded(missing.tolist())) if len(missing) else packed


def together(packed: Recorded, later: Recorded) -> tuple[Recorded, Ints]:
    """Return both, sorted by sensor and time, and the sensors whose order that does not tell."""
    both = packed + later
    order = np.lexsort((both.heads["moment"], both.sensor))
    is_new = order >= len(packed)
    both = both.take(order)
    moment = both.heads["moment"]
    tied = (both.sensor[1:] == both.sensor[:-1]) & (moment[1:] == moment[:-1])
    return both, both.sensor[1:][tied & (is_new[1:] != is_new[:-1])]


def note_superseded(recorded: Recorded, replaced: NDArray[np.void]) -> None:
    """Note on those among the records that were replaced that they were."""
    if len(replaced):
        recorded.heads["superseded"] |= np.isin(recorded.heads["id"], replaced)


def behind(among: Q) -> Ints:
    """Return the marked sensors of whom a record was sealed that is not in their pack, sorted.

    Whoever seals a record and does not judge its sensor has marked it in the same transaction.
    """
    unseen = Calibration.objects.filter(
        sensor=OuterRef("pk"), chain_number__gt=OuterRef("sensor__pack__calibrations")
    )
    rows = StaleSensor.objects.filter(among, Exists(unseen), sensor__pack__calibrations__gt=0)
    return np.sort(columns.read(rows.order_by().values_list("pk"), sensor="key")["sensor"])


def pack(sensor_ids: Sequence[int]) -> int:
    """Pack what was recorded of sensors; nothing is judged by that, and nobody's mark goes."""
    return keep(recorded_of(sensor_ids))


def out_of_date(sensor_ids: Sequence[int]) -> list[int]:
    """Return those of these sensors of whom packs tell anything else than their records."""
    there = PackedHistory.objects.filter(whole(), columns.among("sensor", sensor_ids))
    sensors = sorted(there.values_list("pk", flat=True))
    kept, fresh = _by_sensor(recorded_of(sensors)), _by_sensor(read_recorded(sensors))
    return [sensor for sensor in sensors if kept.get(sensor) != fresh.get(sensor)]


def _with_later(
    packed: Recorded, later: Later, sensor: Ints, count: Ints
) -> tuple[Recorded, Ints]:
    """Packs (of `sensor`, each of `count` records) and later records; and who is to be read."""
    both, tied = together(packed, later.recorded)
    note_superseded(both, later.supersedes)
    whose, first, more = np.unique(later.recorded.sensor, return_index=True, return_counts=True)
    last = np.maximum.reduceat(later.chain_number, first)
    # Somebody may have forgotten the pack between the two readings.
    gap = count[np.searchsorted(sensor, whose)] + more != last
    return both, np.union1d(tied, whose[gap])


def _by_sensor(recorded: Recorded) -> dict[int, tuple[bytes, bytes]]:
    found = {}
    for sensor in np.unique(recorded.sensor).tolist():
        its = recorded.of(np.array([sensor]))
        found[sensor] = its.heads.tobytes(), its.points.tobytes()
    return found
