"""The stored due days: compared for many sensors at once, written where they differ."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from numpy.typing import NDArray

from calibration import columns
from calibration.beside import AT_ONCE, has_one
from calibration.due import lines, reading, reminders, together
from calibration.due.days import DECIDED, Ints
from calibration.due.reading import Newest, Open, States
from calibration.models import DueState
from calibration.policies import Rulebook
from fleet.models import ChangedSeat, Sensor
from fleet.updating import hold_all

CHUNK = AT_ONCE
LOCK_AT_ONCE = 200  # more than these are compared first, and only those that differ are locked


@dataclass(frozen=True)
class DueChange:
    """What a refresh did.

    Attributes
    ----------
    changed
        Sensors whose due day, what decided it, or whose reminder was written.
    """

    changed: int


@dataclass(frozen=True)
class _Comparison:
    """What should be beside what is stored, of N sensors."""

    newest: Newest
    wanted: States
    stored: States
    present: Open
    reminders: reminders.Changes

    @property
    def sensors(self) -> Ints:
        """Keys of those of which anything differs."""
        differs = self.wanted.differ(self.stored) | self.reminders.any
        return np.asarray(self.newest.sensor[differs])


def differing(newest: Newest) -> Ints:
    """Return the sensors whose stored due day or open reminder is not what follows, sorted.

    Reads, and writes nothing: what is stored may be compared with verdicts that are only just
    being made. `refresh` brings the same sensors up to date.
    """
    return _compare(newest).sensors


def refresh(sensor_ids: Sequence[int], *, now: datetime) -> DueChange:
    """Bring due days, reminders and visit lines of these sensors up to date.

    Takes a fixed number of queries for each 10,000 sensors, writes only what differs, and may be
    repeated. Sensors that sit in no machine have no due day.
    """
    ids = np.unique(np.array(sensor_ids, dtype=np.int64))
    chunks = (ids[start : start + CHUNK] for start in range(0, len(ids), CHUNK))
    return DueChange(sum(_refresh_chunk(chunk, now) for chunk in chunks))


def settle(newest: Newest, *, now: datetime, book: Rulebook | None = None) -> DueChange:
    """Do the same for sensors that are locked, and whose newest calibrations the caller knows.

    So it may know the rules.
    """
    found = _compare(newest, book)
    if not len(found.sensors):
        return DueChange(0)
    calibrated = found.wanted.recounted(found.stored) & has_one(found.wanted.calibration)
    _write_states(found)
    reminders.write(found.reminders, found.newest, found.wanted, found.present, now=now)
    lines.close_loop(newest.sensor[calibrated].tolist(), now=now)
    return DueChange(len(found.sensors))


def catch_up(*, now: datetime) -> DueChange:
    """Refresh the sensors that are out of step, and forget that they were."""
    # A change that is not committed yet is not seen here: its row is not deleted, and stays.
    changes = dict(ChangedSeat.objects.values_list("pk", "sensor"))
    done = refresh(list(changes.values()), now=now)
    keys = list(changes)
    for start in range(0, len(keys), CHUNK):
        ChangedSeat.objects.filter(pk__in=keys[start : start + CHUNK]).delete()
    return done


@transaction.atomic
def _refresh_chunk(ids: Ints, now: datetime) -> int:
    """Lock, then read, then write: whoever comes second sees what the first has stored."""
    if len(ids) > LOCK_AT_ONCE:
        ids = _compare(reading.newest_of(ids)).sensors
    if not len(ids):
        return 0
    hold_all(Sensor.objects.filter(pk__in=ids.tolist()))
    return settle(reading.newest_of(ids), now=now).changed


def _compare(newest: Newest, book: Rulebook | None = None) -> _Comparison:
    if len(newest.sensor) <= together.MOST:
        place, calendars, stored, present = together.read(newest.sensor)
        wanted = reading.wanted(newest, (place, calendars), book=book)
    else:
        wanted, stored = reading.wanted(newest, book=book), reading.stored(newest.sensor)
        present = reading.open_reminders(newest.sensor)
    changes = reminders.compare(newest, wanted, present)
    return _Comparison(newest, wanted, stored, present, changes)


def _write_states(found: _Comparison) -> None:
    wanted, differs = found.wanted, found.wanted.differ(found.stored)
    kept, gone = differs & (wanted.decided_by >= 0), differs & (wanted.decided_by < 0)
    kinds: dict[str, columns.Kind] = {
        "sensor": "key",
        "due_on": "date",
        "decided_by": DECIDED,
        "last_calibration": "uuid",
    }
    values: dict[str, NDArray[Any]] = {
        "sensor": found.newest.sensor[kept],
        "due_on": wanted.due_on[kept],
        "decided_by": wanted.decided_by[kept],
        "last_calibration": wanted.calibration[kept],
    }
    columns.upsert(DueState, columns.Incoming(kinds, values))
    if gone.any():
        DueState.objects.filter(sensor__in=found.newest.sensor[gone].tolist()).delete()
