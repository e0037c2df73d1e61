"""Reminder rows follow the due days: one open for each sensor that sits in a machine."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from calibration.beside import has_one
from calibration.calendars import date_of
from calibration.due.days import DECIDED, Ints
from calibration.due.reading import Newest, Open, States
from calibration.models import Reminder
from fleet.updating import update

Bools = NDArray[np.bool_]
Status = Reminder.Status

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Changes:
    """What has to be written, (N,) arrays of bool: reminders that end, that move, that open."""

    done: Bools
    cancelled: Bools
    moved: Bools
    opened: Bools

    @property
    def any(self) -> Bools:
        """The sensors whose reminders change."""
        return np.asarray(self.done | self.cancelled | self.moved | self.opened)


def compare(newest: Newest, wanted: States, present: Open) -> Changes:
    """Return what has to be written so that each due sensor has its one open reminder.

    A calibration made after a reminder was opened ends it as done, and the next one is opened. A
    due day that moves for another reason (an older record, a policy) moves the open reminder.
    """
    due, there = wanted.decided_by >= 0, present.pk != -1
    calibrated = has_one(wanted.calibration) & (newest.moment > present.created_at)
    stays = there & due & ~calibrated
    other = (wanted.due_on != present.due_on) | (wanted.decided_by != present.why)
    return Changes(
        done=there & due & calibrated,
        cancelled=there & ~due,
        moved=stays & other,
        opened=due & ~stays,
    )


def write(
    changes: Changes, newest: Newest, wanted: States, present: Open, *, now: datetime
) -> None:
    """Write the changes; what ends goes first, because only one may be open."""
    for ended, values in (
        (changes.done, {"status": Status.DONE, "done_at": now}),
        (changes.cancelled, {"status": Status.CANCELLED}),
    ):
        if ended.any():
            Reminder.objects.filter(pk__in=present.pk[ended].tolist()).update(**values)
    moved = [
        Reminder(pk=int(present.pk[i]), due_on=due_on, why=why)
        for i, due_on, why in _said(wanted, changes.moved)
    ]
    if moved:
        update(moved, ["due_on", "why"])
    opened = [
        Reminder(
            sensor_id=int(newest.sensor[i]),
            due_on=due_on,
            why=why,
            created_at=_opened_at(newest.moment, wanted, i, now),
        )
        for i, due_on, why in _said(wanted, changes.opened)
    ]
    if opened:
        Reminder.objects.bulk_create(opened)


def _said(wanted: States, which: Bools) -> list[tuple[int, date, str]]:
    return [
        (i, date_of(int(wanted.due_on[i])), DECIDED[wanted.decided_by[i]])
        for i in np.flatnonzero(which).tolist()
    ]


def _opened_at(moment: Ints, wanted: States, i: int, now: datetime) -> datetime:
    """A clock that was set back must not open a reminder older than the calibration it follows.

    That calibration would end it at once, at every call.
    """
    if not has_one(wanted.calibration[i : i + 1])[0]:
        return now
    return max(now, _EPOCH + timedelta(microseconds=int(moment[i])))
