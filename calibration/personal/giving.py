"""Everything that is kept about a customer as a person, given out."""

from typing import Any

from calibration.models import CustomerNote, Digest, Visit
from calibration.personal.whose import (
    KINDS,
    changes_about,
    machines_of,
    records_of,
    said_of,
    words_of,
)
from calibration.personal.words import Words
from fleet.models import Blackout, Customer, Machine
from fleet.registry import require
from fleet.scope import Scope


def personal_data(customer: Customer, *, scope: Scope) -> dict[str, Any]:
    """Return everything that is kept about a customer as a person.

    Raises
    ------
    Forbidden
        If the caller does not manage the customer's dealer.
    """
    require(scope, "edit", "customers", customer.dealer_id)
    machines, words = machines_of(customer), Words(said_of(customer))
    visits = Visit.objects.filter(customer=customer).order_by("planned_on")
    digests_sent = Digest.objects.filter(dealer=customer.dealer_id).order_by("day")
    notes = CustomerNote.objects.filter(visit__customer=customer).order_by("planned_on")
    mails = [*((row.day, row) for row in digests_sent), *((row.planned_on, row) for row in notes)]
    return {
        "customer": {
            "id": customer.pk, "dealer": customer.dealer.code, "name": customer.name,
            "email": customer.email, "phone": customer.phone,
            "latitude": customer.latitude, "longitude": customer.longitude,
        },
        "machines": list(
            Machine.objects.filter(customer=customer).order_by("pk").values("serial", "name")
        ),
        "visits": [
            {
                "planned_on": row.planned_on, "status": row.status, "note": row.note,
                "cancel_reason": row.cancel_reason,
            }
            for row in visits
        ],
        "blackouts": [
            {"first_day": row.first_day, "last_day": row.last_day, "reason": row.reason}
            for row in Blackout.objects.filter(customer=customer).order_by("first_day")
        ],
        "e_mails": [
            {"day": day, "subject": row.subject, "lines": _lines(row.body, words)}
            for day, row in mails if words.found([row.subject, row.body])
        ],
        "records": [
            {"id": row.pk, "performed_at": row.performed_at} | words_of(row)
            for model in KINDS
            for row in records_of(model, machines) if words.found(words_of(row))
        ],
        "changes": [
            {"at": row.at, "what": row.what, "before": row.before, "after": row.after}
            for row in changes_about(customer, machines)
            if row.customer_id == customer.pk or words.found([row.before, row.after])
        ],
    }  # fmt: skip


def _lines(text: str, words: Words) -> list[str]:
    return [line for line in text.splitlines() if words.found(line)]
