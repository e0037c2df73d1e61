"""Visits as a calendar (RFC 5545): one all-day event each, known by the visit's id."""

from collections.abc import Iterable
from datetime import timedelta

import icalendar

from calibration.models import Visit

PRODUCT = "-//Spanbook//visits//EN"


def calendar_of(visits: Iterable[Visit]) -> bytes:
    """Return the visits as an iCalendar file."""
    calendar = icalendar.Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", "Visits")
    for visit in visits:
        calendar.add_component(_event(visit))
    return bytes(calendar.to_ical())


def _event(visit: Visit) -> icalendar.Event:
    confirmed = visit.status == Visit.Status.CONFIRMED
    event = icalendar.Event()
    event.add("uid", f"visit-{visit.pk}")
    event.add("dtstamp", visit.updated_at)
    event.add("last-modified", visit.updated_at)
    event.add("dtstart", visit.planned_on)
    event.add("dtend", visit.planned_on + timedelta(days=1))
    event.add("summary", f"Calibration: {visit.customer.name}")
    event.add("description", _description(visit))
    event.add("status", "CONFIRMED" if confirmed else "TENTATIVE")
    return event


def _description(visit: Visit) -> str:
    lines = [
        f"{line.machine.serial}: {line.sensors} due, the first on {line.due_on}"
        for line in visit.lines.all()
    ]
    return "\n".join([*lines, visit.note] if visit.note else lines)
