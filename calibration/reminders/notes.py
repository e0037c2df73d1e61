"""What a customer is told of a visit: what is due, why, the proposed day; or that it is off."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, Subquery
from django.utils import translation

from calibration.models import CustomerNote, DueState, Visit
from calibration.reminders import wording
from calibration.reminders.content import message_id, usable
from calibration.reminders.delivery import Letter
from calibration.reminders.wording import Item
from fleet.models import Dealer, Installation

# A worker that died between sending and marking leaves one like this.
MAYBE_SENT = Q(sent_at=None, attempts__gt=0, last_error="")


def to_tell(dealer: Dealer, day: date, now: datetime) -> Sequence[Visit]:
    """Return visits of whose state the customer does not know, the next first.

    In the lead days: those of which nothing was told, or another day. At any time: those that
    moved away from a day, told before and not yet over, or were called off. A visit of which a
    note is being sent at this moment is left to whoever sends it.
    """
    notes = CustomerNote.objects.filter(visit=OuterRef("pk"))
    sending = notes.filter(sent_at=None, claimed_until__gt=now, last_error="")
    sent = notes.filter(sent_at__isnull=False).order_by("-sent_at", "-pk")
    known = notes.filter(Q(sent_at__isnull=False) | MAYBE_SENT).order_by(
        F("sent_at").desc(nulls_first=True), "-pk"
    )
    rows = Visit.objects.filter(~Exists(sending), customer__dealer=dealer).annotate(
        told=Subquery(sent.values("planned_on")[:1]),
        taken_back=Subquery(sent.values("cancels")[:1]),
        known=Subquery(known.values("planned_on")[:1]),
        known_off=Subquery(known.values("cancels")[:1]),
    )
    planned = Q(status__in=Visit.TO_BE_MADE, planned_on__gte=day)
    other_day = ~Q(told=F("planned_on"))
    soon = Q(planned_on__gt=day, planned_on__lte=day + timedelta(days=dealer.reminder_lead_days))
    news = soon & (Q(told=None) | Q(taken_back=True) | other_day)
    moved = other_day & Q(told__gte=day, taken_back=False)
    called_off = Q(status=Visit.Status.CANCELLED, known__gte=day, known_off=False)
    chosen = rows.filter(planned & (news | moved) | called_off).exclude(customer__email="")
    chosen = chosen.select_related("customer__dealer").prefetch_related("lines__machine")
    return list(chosen.order_by("planned_on", "customer__name", "pk"))


def withdraw(dealer: Dealer, day: date, now: datetime) -> None:
    """Take back notes that were not sent and say what is no longer so, or to nobody.

    One of which nobody knows whether it went out stays: its customer may count on it.
    """
    idle = Q(claimed_until=None) | Q(claimed_until__lte=now)
    notes = CustomerNote.objects.filter(idle, visit__customer__dealer=dealer, sent_at=None)
    off = Q(cancels=True, visit__status=Visit.Status.CANCELLED)
    on = Q(cancels=False, visit__status__in=Visit.TO_BE_MADE, planned_on=F("visit__planned_on"))
    false = (~(off | on) | Q(planned_on__lt=day)) & ~MAYBE_SENT
    notes.filter(false | Q(visit__customer__email="")).delete()


def key_of(visit: Visit) -> dict[str, Any]:
    """Return what names the note about a visit as it is now: made once, whoever makes it.

    One that waits keeps its number, whatever else of the visit changed: it is the same letter.
    """
    cancels = visit.status == Visit.Status.CANCELLED
    key = {
        "visit": visit,
        "planned_on": visit.known if cancels else visit.planned_on,  # type: ignore[attr-defined] # annotated
        "cancels": cancels,
    }
    waiting = CustomerNote.objects.filter(**key, sent_at=None).values_list("sequence", flat=True)
    return key | {"sequence": next(iter(waiting[:1]), visit.sequence)}


def letter(visit: Visit, key: Mapping[str, Any], day: date) -> Letter | None:
    """Return the note about a visit; None where it cannot be written to anybody."""
    customer = visit.customer
    items = [] if key["cancels"] else _items(visit)
    if not (items or key["cancels"]) or not usable(customer.email):
        return None
    with translation.override(customer.dealer.language):
        about = wording.Note(
            customer.dealer.name, key["planned_on"], items, cancels=key["cancels"]
        )
        return Letter(
            recipients=[customer.email],
            subject=about.subject,
            text=about.text(day),
            html=about.html(day),
            message_id=message_id(f"visit-{visit.pk}-{key['sequence']}-{key['planned_on']}"),
        )


def _items(visit: Visit) -> list[Item]:
    """The machines of the visit that are still to be done, each with the reason."""
    lines = [line for line in visit.lines.all() if not line.done]
    machines = [line.machine_id for line in lines]
    seats = Installation.objects.filter(removed_on=None, machine__in=machines)
    states = DueState.objects.filter(sensor__in=seats.values("sensor")).order_by("-due_on", "pk")
    why = dict(
        states.filter(sensor__installations__removed_on=None).values_list(
            "sensor__installations__machine", "decided_by"
        )
    )
    return [
        Item(
            customer=visit.customer.name,
            machine=f"{line.machine.serial} {line.machine.name}".strip(),
            due_on=line.due_on,
            why=why.get(line.machine_id, ""),
            sensors=line.sensors,
            visit_on=visit.planned_on,
        )
        for line in sorted(lines, key=lambda line: (line.due_on, line.machine_id))
    ]
