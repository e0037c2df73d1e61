"""Reminder rows follow the due days: one open for each sensor that sits in a machine."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from calibration.due.days import Due
from calibration.models import Reminder

Status = Reminder.Status


@dataclass
class Changes:
    """Reminders to write: those that end or move, and those that open."""

    changed: list[Reminder] = field(default_factory=list)
    opened: list[Reminder] = field(default_factory=list)

    @property
    def sensors(self) -> set[int]:
        """The sensors whose reminders change."""
        return {reminder.sensor_id for reminder in (*self.changed, *self.opened)}


def compare(ids: Iterable[int], wanted: Mapping[int, Due], *, now: datetime) -> Changes:
    """Return what has to be written so that each due sensor has its one open reminder.

    A calibration made after a reminder was opened ends it as done, and the next one is opened. A
    due day that moves for another reason (an older record, a policy) moves the open reminder.
    """
    rows = Reminder.objects.filter(sensor__in=ids, status=Status.OPEN)
    still_open = {reminder.sensor_id: reminder for reminder in rows}
    changes = Changes()
    for sensor in ids:
        due, reminder = wanted.get(sensor), still_open.get(sensor)
        if reminder is not None and _ends(reminder, due, now):
            changes.changed.append(reminder)
            reminder = None
        if due is None:
            continue
        if reminder is None:
            changes.opened.append(_opened(sensor, due, now))
        elif (reminder.due_on, reminder.why) != (due.due_on, due.decided_by):
            reminder.due_on, reminder.why = due.due_on, due.decided_by
            changes.changed.append(reminder)
    return changes


def write(changes: Changes) -> None:
    """Write the changes; what ends goes first, because only one may be open."""
    fields = ["due_on", "why", "status", "done_at"]
    if changes.changed:
        Reminder.objects.bulk_update(changes.changed, fields, batch_size=1000)
    if changes.opened:
        Reminder.objects.bulk_create(changes.opened)


def _ends(reminder: Reminder, due: Due | None, now: datetime) -> bool:
    if due is None:
        reminder.status = Status.CANCELLED
        return True
    if due.performed_at is not None and due.performed_at > reminder.created_at:
        reminder.status, reminder.done_at = Status.DONE, now
        return True
    return False


def _opened(sensor: int, due: Due, now: datetime) -> Reminder:
    # A clock that was set back must not open a reminder older than the calibration it follows:
    # that calibration would end it at once, at every call.
    created_at = max(now, due.performed_at) if due.performed_at else now
    return Reminder(sensor_id=sensor, due_on=due.due_on, why=due.decided_by, created_at=created_at)
