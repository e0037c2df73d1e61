"""What a dealer's digest says: which reminders, and to whom."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, timedelta
from typing import NamedTuple

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db.models import F, Q, QuerySet
from django.utils import translation

from calibration.models import Reminder, Visit, VisitLine
from calibration.reminders import wording
from calibration.reminders.delivery import Letter
from calibration.reminders.wording import Item
from fleet.models import Dealer, Installation, Membership, Role

AGAIN_AFTER = timedelta(days=7)


class _Seat(NamedTuple):
    sensor_id: int
    machine_id: int
    machine: str
    name: str
    customer: str


def letter(dealer: Dealer, day: date) -> Letter | None:
    """Return what has to be told to a dealer on its local day; None where there is nothing."""
    rows = to_tell(dealer, day)
    seats = _seats(rows)
    told = [row for row in rows.order_by("due_on", "pk") if row.sensor_id in seats]
    if not told:
        return None
    items = _items(told, seats)
    with translation.override(dealer.language):
        return Letter(
            recipients=_recipients(dealer),
            subject=wording.subject(dealer.name, items, day),
            text=wording.text(dealer.name, items, day),
            html=wording.html(dealer.name, items, day),
            message_id=message_id(f"digest-{dealer.pk}-{day}"),
            reminder_ids=[row.pk for row in told],
        )


def message_id(name: str) -> str:
    """Return the Message-ID of a letter of this name."""
    host = settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].strip("> ") or "localhost"
    return f"<{name}@{host}>"


def to_tell(dealer: Dealer, day: date) -> QuerySet[Reminder]:
    """Return open reminders inside the lead days, without those that were told a few days ago.

    Told again: after a week, and once when the due day has passed since it was last told.
    """
    newly_overdue = Q(due_on__lt=day, last_told_on__lte=F("due_on"))
    rows: QuerySet[Reminder] = Reminder.objects.filter(
        Q(last_told_on=None) | Q(last_told_on__lte=day - AGAIN_AFTER) | newly_overdue,
        sensor__dealer=dealer,
        status=Reminder.Status.OPEN,
        due_on__lte=day + timedelta(days=dealer.reminder_lead_days),
    )
    return rows


def _seats(rows: QuerySet[Reminder]) -> dict[int, _Seat]:
    """Return where the sensors sit; one that was removed since is nobody's errand."""
    columns = ("machine", "machine__serial", "machine__name", "machine__customer__name")
    seated = Installation.objects.filter(removed_on=None, sensor__in=rows.values("sensor"))
    return {row[0]: _Seat(*row) for row in seated.values_list("sensor", *columns)}


def _items(told: Iterable[Reminder], seats: dict[int, _Seat]) -> list[Item]:
    """Group by machine: a machine is due when the first of its sensors is."""
    by_machine: dict[int, list[Reminder]] = defaultdict(list)
    for row in told:
        by_machine[seats[row.sensor_id].machine_id].append(row)
    visits = _visits(by_machine)
    items = []
    for machine, rows in by_machine.items():
        seat, first = seats[rows[0].sensor_id], rows[0]
        items.append(
            Item(
                customer=seat.customer,
                machine=f"{seat.machine} {seat.name}".strip(),
                due_on=first.due_on,
                why=first.why,
                sensors=len(rows),
                visit_on=visits.get(machine),
            )
        )
    return items


def _visits(machines: Iterable[int]) -> dict[int, date]:
    lines = VisitLine.objects.filter(visit__status__in=Visit.TO_BE_MADE, done=False)
    planned = lines.values_list("machine", "visit__planned_on").order_by("-visit__planned_on")
    wanted = set(machines)
    return {machine: day for machine, day in planned if machine in wanted}


def _recipients(dealer: Dealer) -> list[str]:
    """Return the dealer's address, or those of its service managers, that can be written to."""
    managers = Membership.objects.filter(
        dealer=dealer, role=Role.SERVICE_MANAGER, user__is_active=True
    )
    addresses = (
        [dealer.email]
        if dealer.email
        else managers.order_by("user").values_list("user__email", flat=True)
    )
    return list({address.lower(): address for address in addresses if usable(address)}.values())


def usable(address: str) -> bool:
    """Whether an address can be written to."""
    try:
        validate_email(address)
    except ValidationError:
        return False
    return True
