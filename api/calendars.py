"""Visits as a calendar (RFC 5545): one all-day event each, known by the visit's id.

An event has a day and no hours: it is that day wherever the calendar is read, so that no time zone
can move it (3.3.4, a DATE is not bound to one). Moments of change are in UTC (3.3.5, form 2).
"""

from collections.abc import Iterable
from datetime import timedelta

import icalendar

from calibration.models import Visit
from fleet.models import User

PRODUCT = "-//Spanbook//visits//EN"
ASK_AGAIN = timedelta(hours=1)
STATUS = {
    Visit.Status.PLANNED: "TENTATIVE",
    Visit.Status.CONFIRMED: "CONFIRMED",
    Visit.Status.DONE: "CONFIRMED",
    Visit.Status.CANCELLED: "CANCELLED",
}


def calendar_of(
    visits: Iterable[Visit],
    *,
    name: str = "Visits",
    zone: str = "",
    reader: User | None = None,
) -> bytes:
    """Return the visits as an iCalendar file.

    Parameters
    ----------
    visits
        What is shown.
    name, zone
        What the calendar is called, and where its dealer is.
    reader
        Whose calendar it is: a visit that somebody else makes by now is cancelled in it.
    """
    calendar = icalendar.Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("x-wr-calname", name)
    if zone:
        calendar.add("x-wr-timezone", zone)
    # RFC 7986, 5.7; the other name is what programs read that are older.
    calendar.add("refresh-interval", ASK_AGAIN, parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", "PT1H")
    for visit in visits:
        calendar.add_component(_event(visit, reader))
    return bytes(calendar.to_ical())


def _event(visit: Visit, reader: User | None) -> icalendar.Event:
    status = STATUS[Visit.Status(visit.status)]
    if reader is not None and visit.technician_id != reader.pk:
        status = "CANCELLED"
    event = icalendar.Event()
    event.add("uid", f"visit-{visit.pk}")
    event.add("dtstamp", visit.updated_at)
    event.add("last-modified", visit.updated_at)
    event.add("sequence", visit.sequence)
    event.add("dtstart", visit.planned_on)
    event.add("dtend", visit.planned_on + timedelta(days=1))
    event.add("summary", _summary(visit))
    event.add("description", _description(visit))
    event.add("status", status)
    event.add("transp", "TRANSPARENT" if status == "CANCELLED" else "OPAQUE")
    customer = visit.customer
    if customer.latitude is not None and customer.longitude is not None:
        event.add("geo", (customer.latitude, customer.longitude))
    return event


def _summary(visit: Visit) -> str:
    part = f", part {visit.part}" if visit.part > 1 else ""
    return f"Calibration: {visit.customer.name}{part}"


def _description(visit: Visit) -> str:
    lines = [
        f"{line.machine.serial}: done"
        if line.done
        else f"{line.machine.serial}: {line.sensors} due, the first on {line.due_on}"
        for line in visit.lines.all()
    ]
    off = visit.status == Visit.Status.CANCELLED and visit.cancel_reason
    said = [f"Cancelled: {off}" if off else "", *lines, visit.note]
    return "\n".join(filter(None, said))
