"""Calendars under a secret address: given, found again by their secret, renewed, revoked.

The secret is shown once; its digest is kept. A technician's calendar ends with their work for the
dealer: nobody reads on who has left.
"""

import hashlib
import secrets
from datetime import datetime, timedelta

from django.db.models import Q, QuerySet

from calibration.models import CalendarFeed, Visit
from fleet import registry
from fleet.errors import Invalid, Problem
from fleet.models import Dealer, Membership, User

KEEP_CANCELLED = timedelta(days=30)  # so long a calendar program is told that it is off
KEEP_PAST = timedelta(days=120)
_BYTES = 32


def give(*, dealer: Dealer, technician: User | None, now: datetime) -> tuple[CalendarFeed, str]:
    """Make a calendar of a dealer's visits, or of one technician's; return it and its secret."""
    if technician is not None and not _works_for(technician, dealer):
        raise Invalid(
            Problem(
                "technician",
                "This person has no role at that dealer",
                "somebody who works there, or nobody for all visits",
                technician.username,
            )
        )
    secret = secrets.token_urlsafe(_BYTES)
    feed = CalendarFeed(
        dealer=dealer, technician=technician, token_hash=_digest(secret), created_at=now
    )
    return registry.clean_and_save(feed), secret


def renew(feed: CalendarFeed, *, now: datetime) -> str:
    """Give a calendar another address; the one before is dead at once."""
    secret = secrets.token_urlsafe(_BYTES)
    feed.token_hash, feed.created_at = _digest(secret), now
    feed.save(update_fields=["token_hash", "created_at"])
    return secret


def found(secret: str) -> CalendarFeed | None:
    """Return the calendar that has this secret; None where none has, or its reader left."""
    rows = CalendarFeed.objects.select_related("dealer", "technician")
    feed: CalendarFeed | None = rows.filter(token_hash=_digest(secret)).first()
    if feed is None or feed.technician is None:
        return feed
    return feed if _works_for(feed.technician, feed.dealer) else None


def visits_of(feed: CalendarFeed, *, now: datetime) -> "QuerySet[Visit]":
    """Return what a calendar shows: visits of late and to come, and those that are off of late."""
    today = now.astimezone(feed.dealer.zone).date()
    off = Q(status=Visit.Status.CANCELLED)
    recent = Q(updated_at__gte=now - KEEP_CANCELLED)
    shown = ~off & Q(planned_on__gte=today - KEEP_PAST)
    rows = Visit.objects.filter(customer__dealer=feed.dealer)
    if feed.technician_id is not None:
        its, was = Q(technician=feed.technician_id), Q(former_technician=feed.technician_id)
        rows = rows.filter((its & shown) | ((its & off | was & ~its) & recent))
    else:
        rows = rows.filter(shown | (off & recent))
    return (
        rows.select_related("customer", "technician")
        .prefetch_related("lines__machine")
        .order_by("planned_on", "pk")
    )


def _digest(secret: str) -> str:
    # The secret has 256 random bits: nobody guesses it, and a plain digest tells nothing of it.
    return hashlib.sha256(secret.encode()).hexdigest()


def _works_for(person: User, dealer: Dealer) -> bool:
    held = Membership.objects.filter(user=person.pk, user__is_active=True, dealer=dealer)
    return bool(held.exists())
