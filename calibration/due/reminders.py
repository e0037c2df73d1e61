"""Reminder rows follow the due days: one open for each sensor that sits in a machine."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibration import columns
from calibration.beside import has_one
from calibration.due.days import DECIDED, Ints
from calibration.due.reading import Newest, Open, States
from calibration.models import Reminder

Bools = NDArray[np.bool_]
Status = Reminder.Status


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
            rows = Reminder.objects.filter(columns.among("pk", present.pk[ended]))
            rows.update(**values)
    moved, opened = changes.moved, changes.opened
    columns.update(Reminder, _said(wanted, moved, {"id": "key"}, {"id": present.pk[moved]}))
    kinds: dict[str, columns.Kind] = {"sensor": "key", "created_at": "moment"}
    new = {
        "sensor": newest.sensor[opened],
        "created_at": _opened_at(newest.moment, wanted, now)[opened],
    }
    columns.insert(Reminder, _said(wanted, opened, kinds, new, status=Status.OPEN))


def _said(
    wanted: States,
    which: Bools,
    kinds: Mapping[str, columns.Kind],
    values: Mapping[str, Ints],
    **constants: str,
) -> columns.Incoming:
    """Some columns, and the due day of those to whom they belong beside them."""
    return columns.Incoming(
        {**kinds, "due_on": "date", "why": DECIDED},
        {**values, "due_on": wanted.due_on[which], "why": wanted.decided_by[which]},
        constants=constants,
    )


def _opened_at(moment: Ints, wanted: States, now: datetime) -> Ints:
    """A clock that was set back must not open a reminder older than the calibration it follows.

    That calibration would end it at once, at every call.
    """
    at = columns.moment_of(now)
    return np.where(has_one(wanted.calibration), np.maximum(moment, at), at)
