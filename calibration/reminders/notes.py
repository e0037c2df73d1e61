"""What a customer is told of a visit: what is due, why, the proposed day; or that it is off."""

from collections.abc import Sequence
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


def to_tell(dealer: Dealer, day: date, now: datetime) -> Sequence[Visit]:
    """Return visits of whose state the customer does not know, the next first.

    Those in the lead days whose day was not told yet, or another one last; and cancelled ones
    whose customer was told of a day that is still to come. A visit of which a note is being sent
    at this moment is left to whoever sends it.
    """
    last = CustomerNote.objects.filter(visit=OuterRef("pk"), sent_at__isnull=False)
    last = last.order_by("-sent_at", "-pk")
    sending = CustomerNote.objects.filter(
        visit=OuterRef("pk"), sent_at=None, claimed_until__gt=now, last_error=""
    )
    rows = Visit.objects.filter(~Exists(sending), customer__dealer=dealer).annotate(
        told=Subquery(last.values("planned_on")[:1]),
        taken_back=Subquery(last.values("cancels")[:1]),
    )
    news = Q(told=None) | Q(taken_back=True) | ~Q(told=F("planned_on"))
    to_come = news & Q(
        status__in=Visit.TO_BE_MADE,
        planned_on__gt=day,
        planned_on__lte=day + timedelta(days=dealer.reminder_lead_days),
    )
    called_off = Q(status=Visit.Status.CANCELLED, told__gt=day, taken_back=False)
    chosen = rows.filter(to_come | called_off).exclude(customer__email="")
    chosen = chosen.select_related("customer__dealer").prefetch_related("lines__machine")
    return list(chosen.order_by("planned_on", "customer__name", "pk"))


def withdraw(dealer: Dealer, now: datetime) -> None:
    """Take back notes that were never sent and say what is no longer so."""
    idle = Q(claimed_until=None) | Q(claimed_until__lte=now)
    notes = CustomerNote.objects.filter(idle, visit__customer__dealer=dealer, sent_at=None)
    off = Q(visit__status=Visit.Status.CANCELLED)
    so = Q(cancels=True) & off | Q(cancels=False, visit__status__in=Visit.TO_BE_MADE)
    so &= Q(sequence=F("visit__sequence")) & (
        Q(cancels=True) | Q(planned_on=F("visit__planned_on"))
    )
    notes.exclude(so).delete()


def key_of(visit: Visit) -> dict[str, Any]:
    """Return what names the note about a visit as it is now: made once, whoever makes it."""
    cancels = visit.status == Visit.Status.CANCELLED
    return {
        "visit": visit,
        "planned_on": visit.told if cancels else visit.planned_on,  # type: ignore[attr-defined] # annotated
        "cancels": cancels,
        "sequence": visit.sequence,
    }


def letter(visit: Visit, day: date) -> Letter | None:
    """Return the note about a visit; None where it cannot be written to anybody."""
    customer, key = visit.customer, key_of(visit)
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
            message_id=message_id(f"visit-{visit.pk}-{visit.sequence}-{key['planned_on']}"),
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
