"""What a customer is told before a visit: what is due, why, and the proposed day."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from django.db.models import Exists, F, OuterRef, Q
from django.utils import translation

from calibration.models import CustomerNote, DueState, Visit
from calibration.reminders import wording
from calibration.reminders.content import message_id, usable
from calibration.reminders.delivery import Letter
from calibration.reminders.wording import Item
from fleet.models import Dealer, Installation


def to_tell(dealer: Dealer, day: date) -> Sequence[Visit]:
    """Return visits in the lead days of whose day the customer was not told, the next first."""
    told = CustomerNote.objects.filter(
        visit=OuterRef("pk"), planned_on=OuterRef("planned_on"), sent_at__isnull=False
    )
    rows = Visit.objects.filter(
        ~Exists(told),
        customer__dealer=dealer,
        status__in=Visit.TO_BE_MADE,
        planned_on__gt=day,
        planned_on__lte=day + timedelta(days=dealer.reminder_lead_days),
    ).exclude(customer__email="")
    chosen = rows.select_related("customer__dealer").prefetch_related("lines__machine")
    return list(chosen.order_by("planned_on", "customer__name", "pk"))


def withdraw(dealer: Dealer, now: datetime) -> None:
    """Take back notes that were never sent and whose visit has another day by now, or none."""
    idle = Q(claimed_until=None) | Q(claimed_until__lte=now)
    notes = CustomerNote.objects.filter(idle, visit__customer__dealer=dealer, sent_at=None)
    notes.filter(
        ~Q(planned_on=F("visit__planned_on")) | ~Q(visit__status__in=Visit.TO_BE_MADE)
    ).delete()


def letter(visit: Visit, day: date) -> Letter | None:
    """Return the note about a visit; None where it cannot be written to anybody."""
    customer = visit.customer
    items = _items(visit)
    if not items or not usable(customer.email):
        return None
    with translation.override(customer.dealer.language):
        told = (customer.dealer.name, items, visit.planned_on)
        return Letter(
            recipients=[customer.email],
            subject=wording.note_subject(*told),
            text=wording.note_text(*told, day),
            html=wording.note_html(*told, day),
            message_id=message_id(f"visit-{visit.pk}-{visit.planned_on}"),
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
