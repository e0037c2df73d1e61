"""What due days rest on and what is stored of them, read in one query: for a few sensors."""

from typing import Any, NamedTuple

from django.db.models import FilteredRelation, Q, QuerySet

from calibration import columns
from calibration.beside import OF, laid
from calibration.due.days import DECIDED, Ints
from calibration.due.reading import Calendars, Open, States, calendar_of
from calibration.models import Reminder
from fleet.models import Sensor

MOST = 32  # sensors; of more each table is read by itself, in whole columns

_Fields = dict[str, tuple[str, columns.Kind]]
_PLACE: _Fields = {
    "installation": ("place__pk", "key"),
    "installed_on": ("place__installed_on", "date"),
}
_STORED: _Fields = {
    "stored_on": ("due__due_on", "date"),
    "decided_by": ("due__decided_by", DECIDED),
    "calibration": ("due__last_calibration", "uuid"),
}
_OPEN: _Fields = {
    "pk": ("open__pk", "key"),
    "due_on": ("open__due_on", "date"),
    "why": ("open__why", DECIDED),
    "created_at": ("open__created_at", "moment"),
}
_DEALER = ("timezone", "season_start", "country", "subdivision")


def _sensors() -> "QuerySet[Sensor, Any]":
    return Sensor.objects.annotate(
        place=FilteredRelation("installations", condition=Q(installations__removed_on=None)),
        open=FilteredRelation(
            "reminders", condition=Q(reminders__status=Reminder.Status.OPEN.value)
        ),
    ).order_by("pk")


_READING = columns.Reading(
    _sensors,
    "pk",
    {
        OF: ("pk", "key"),
        **_PLACE,
        **_STORED,
        **_OPEN,
        "dealer": ("dealer_id", "key"),
        **{name: (f"dealer__{name}", columns.TEXT) for name in _DEALER},
    },
)


class Together(NamedTuple):
    """Of some sensors: where each sits, whose calendars there are, due days and reminders."""

    place: dict[str, Any]
    calendars: Calendars
    stored: States
    present: Open


def read(sensor: Ints) -> Together:
    """Read it, beside the sensors (ascending keys)."""
    table = _READING.of(sensor)
    of = table.pop(OF)
    stored = laid(sensor, of, table, _STORED)
    said = zip(*(table[name].tolist() for name in ("dealer", *_DEALER)), strict=True)
    return Together(
        laid(sensor, of, table, _PLACE),
        {dealer: calendar_of(*rest) for dealer, *rest in said},
        States(stored.pop("stored_on"), **stored),
        Open(**laid(sensor, of, table, _OPEN)),
    )
