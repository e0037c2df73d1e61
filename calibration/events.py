"""Events: written with what they tell of, numbered once it is committed, read in that order.

A row's key says when it was made, not when it was committed: a reader that goes by keys would
miss what a slower transaction commits later. So a number is given afterwards, by one at a time,
to what is committed by then.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Max

from calibration.columns import among
from calibration.models import DriftFlag, Event, Visit
from calibration.models.record import Calibration
from fleet.inserting import insert
from fleet.models import Sensor
from fleet.statements import Statement
from fleet.updating import update

Kind = Event.Kind
_NUMBERING = 0x5BA7E7E5  # PostgreSQL's advisory lock for who gives numbers; it means nothing
_AT_ONCE = 5000


@dataclass(frozen=True)
class Happened:
    """What happened to one thing of one sensor; where `of` names that one, it is not read."""

    kind: Event.Kind
    subject: object
    sensor_id: int
    data: dict[str, Any] = field(default_factory=dict)
    of: Sensor | None = None


_SENSORS = Statement(
    lambda mark: (
        Sensor.objects.filter(among("pk", [mark]))
        .order_by()
        .values_list("pk", "dealer_id", "serial")
    )
)


def tell(happened: Sequence[Happened], *, now: datetime) -> None:
    """Write down what happened, in the transaction in which it does."""
    for start in range(0, len(happened), _AT_ONCE):
        some = happened[start : start + _AT_ONCE]
        sensors = {
            key: (dealer, serial)
            for key, dealer, serial in _SENSORS.many(
                {each.sensor_id for each in some if each.of is None}
            )
        }
        sensors |= {each.of.pk: (each.of.dealer_id, each.of.serial) for each in some if each.of}
        rows = [
            (*sensors[each.sensor_id], str(each.kind), now, str(each.subject), each.data)
            for each in some
        ]
        insert(Event, ("dealer_id", "sensor", "kind", "at", "subject", "data"), rows)


def tell_of_flags(
    opened: Iterable[DriftFlag], closed: Iterable[DriftFlag], *, now: datetime
) -> None:
    """Write down which flags were opened and closed."""
    tell(
        [
            Happened(
                kind, flag.pk, flag.sensor_id,
                {
                    "kind": flag.kind, "level": flag.level, "magnitude": flag.magnitude,
                    "tolerance": flag.tolerance, "p_out": flag.p_out,
                    "calibration": _text(flag.calibration_id),
                    "functional_test": _text(flag.functional_test_id),
                },
            )
            for kind, flags in ((Kind.FLAG_OPENED, opened), (Kind.FLAG_CLOSED, closed))
            for flag in flags
        ],
        now=now,
    )  # fmt: skip


def verdict(calibration: object, sensor: Sensor, was: str | None, is_now: str) -> Happened:
    """Return that a calibration was judged, or judged otherwise than before."""
    data = {"verdict": is_now, "verdict_before": was}
    return Happened(Kind.VERDICT, calibration, sensor.pk, data, of=sensor)


def superseded(by: Calibration) -> Happened:
    """Return that a calibration was superseded."""
    # Why stands in the record: words may name a person, and events are kept as they went out.
    data = {"superseded_by": str(by.pk)}
    return Happened(Kind.SUPERSEDED, by.supersedes_id, by.sensor_id, data, of=by.sensor)


def tell_of_visits(visits: Iterable[Visit], *, now: datetime) -> None:
    """Write down which visits were planned, moved or cancelled; without the customer's name."""
    Event.objects.bulk_create(
        Event(
            dealer_id=visit.customer.dealer_id, kind=Kind.VISIT_PLANNED, at=now,
            subject=str(visit.pk),
            data={
                "customer": visit.customer_id, "planned_on": str(visit.planned_on),
                "due_on": str(visit.due_on), "status": str(visit.status),
            },
        )
        for visit in visits
    )  # fmt: skip


def number() -> None:
    """Give numbers to the events that are committed and have none, in the order of their keys."""
    while Event.objects.filter(number=None).exists():
        with transaction.atomic():
            if connection.vendor == "postgresql":
                with connection.cursor() as cursor:
                    cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_NUMBERING])
            last = last_number()
            rows = list(Event.objects.filter(number=None).order_by("pk")[:_AT_ONCE])
            for place, row in enumerate(rows, start=last + 1):
                row.number = place
            update(rows, ["number"])


def last_number() -> int:
    """Return the number of the last event; 0 where there is none."""
    return int(Event.objects.aggregate(last=Max("number"))["last"] or 0)


def forget_old(*, now: datetime) -> int:
    """Remove events that are older than what is kept; returns how many."""
    since = now - timedelta(days=settings.EVENTS_KEPT_DAYS)
    # The last one stays: numbers go on from it.
    removed, _ = Event.objects.filter(at__lt=since, number__lt=last_number()).delete()
    return removed


def _text(key: object) -> str | None:
    return None if key is None else str(key)
