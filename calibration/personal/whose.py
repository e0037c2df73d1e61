"""Where a person is looked for: their machines, the records made there, the trail about them."""

from django.db.models import Q, QuerySet

from calibration import digests
from calibration.models import Calibration, FunctionalTest
from calibration.personal.words import ERASED
from fleet.models import Change, Customer, Installation, Machine

Sealed = Calibration | FunctionalTest
KINDS: tuple[type[Sealed], ...] = (Calibration, FunctionalTest)


def said_of(customer: Customer) -> list[str]:
    """Return every name, address and number that the customer has, or had by the audit trail."""
    said = [customer.name, customer.email, customer.phone]
    for row in Change.objects.filter(table="fleet_customer", row=str(customer.pk)):
        for image in (row.before or {}, row.after or {}):
            said += [str(image.get(name) or "") for name in ("name", "email", "phone")]
    return [text for text in said if text and ERASED not in text]


def machines_of(customer: Customer) -> set[int]:
    """Return the keys of the customer's machines, with those that the audit trail calls theirs."""
    own = set(Machine.objects.filter(customer=customer).values_list("pk", flat=True))
    moved = Change.objects.filter(table="fleet_machine", machine__isnull=False)
    theirs = Q(customer=customer) | Q(after__customer_id=customer.pk)
    return own | {int(key) for key in moved.filter(theirs).values_list("machine_id", flat=True)}


def records_of(model: type[Sealed], machines: set[int]) -> list[Sealed]:
    """Return the sealed records that were made on machines."""
    return list(model.objects.filter(installation__machine__in=machines).order_by("pk"))


def changes_about(customer: Customer, machines: set[int]) -> QuerySet[Change]:
    """Return the audit trail of the customer, their machines and the sensors that sat there.

    With that of what their dealer's people said flags have in common.
    """
    seated = Installation.objects.filter(machine__in=machines).values("sensor")
    about = Q(customer=customer) | Q(machine__in=machines) | Q(sensor__in=seated)
    about |= Q(dealer=customer.dealer_id, table="calibration_flagfamily")
    rows: QuerySet[Change] = Change.objects.filter(about).order_by("pk")
    return rows


def words_of(row: Sealed) -> dict[str, str]:
    """Return the free words of a record."""
    return {name: getattr(row, name) for name in digests.WORDS}
