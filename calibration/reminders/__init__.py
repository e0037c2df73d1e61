"""Tell each dealer, once a day, what is due: claimed with a lease, sent, marked.

`content` says what is told and how it reads; this module delivers it. A digest is one row for each
dealer and local day. Whoever claims it sends it; a crash between sending and marking leaves one
duplicate at worst. Nothing counts as told before it was sent, so what one day could not deliver
is in the next day's digest.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import NamedTuple

from django.core.mail import EmailMultiAlternatives
from django.db import transaction
from django.db.models import F, Q

from calibration.models import Digest, Reminder
from calibration.reminders import content
from calibration.reminders.content import Letter
from fleet.models import Dealer

__all__ = ["Failure", "SendResult", "send_reminders"]

AWAKE_FROM, AWAKE_UNTIL = time(6), time(20)  # local time; nobody is written to at night
LEASE = timedelta(minutes=10)  # far longer than a mail server may take (EMAIL_TIMEOUT)
FIRST_PAUSE, LONGEST_PAUSE = timedelta(minutes=1), timedelta(hours=1)
_CHUNK = 10_000  # SQLite takes at most 32,766 values in one statement


class Failure(NamedTuple):
    """A dealer who could not be told, and why."""

    dealer: Dealer
    reason: str


@dataclass
class SendResult:
    """What a call came to.

    Attributes
    ----------
    sent
        Digests sent by this call.
    already
        Digests that were sent before, or that another worker is sending.
    failed
        Dealers with something due who could not be told; all of it is tried again.
    """

    sent: int = 0
    already: int = 0
    failed: list[Failure] = field(default_factory=list)


def send_reminders(*, now: datetime, dealer: Dealer | None = None) -> SendResult:
    """Send today's digest to one dealer, or to all, where it is day and not yet sent.

    A digest that failed is tried again by the next call after a pause: a minute at first, doubled
    at each failure, an hour at most.
    """
    result = SendResult()
    for each in [dealer] if dealer else Dealer.objects.order_by("pk"):
        if AWAKE_FROM <= now.astimezone(each.zone).time() < AWAKE_UNTIL:
            _tell(each, now, result)
    return result


def _tell(dealer: Dealer, now: datetime, result: SendResult) -> None:
    day = now.astimezone(dealer.zone).date()
    digest = Digest.objects.filter(dealer=dealer, day=day).first()
    if digest is not None and digest.sent_at:
        result.already += 1
        return
    letter = content.letter(dealer, day)
    if letter is None:
        return
    if digest is None:
        digest, _ = Digest.objects.get_or_create(
            dealer=dealer, day=day, defaults={"subject": letter.subject, "body": letter.text}
        )
    if not letter.recipients:
        reason = (
            "nobody to write to: give the dealer an e-mail address, or one of its service managers"
        )
        Digest.objects.filter(pk=digest.pk, sent_at=None).update(last_error=reason)
        result.failed.append(Failure(dealer, reason))
    elif _claim(digest, letter, now):
        _deliver(digest, letter, now, result)
    else:
        _wait(digest, result)


def _claim(digest: Digest, letter: Letter, now: datetime) -> bool:
    """Take the digest for this call; of any number of callers the database lets one."""
    free = Q(claimed_until=None) | Q(claimed_until__lte=now)
    taken = Digest.objects.filter(free, pk=digest.pk, sent_at=None).update(
        claimed_until=now + LEASE,
        attempts=F("attempts") + 1,
        last_error="",
        recipients=letter.recipients,
        subject=letter.subject,
        body=letter.text,
    )
    digest.refresh_from_db()
    return bool(taken)


def _deliver(digest: Digest, letter: Letter, now: datetime, result: SendResult) -> None:
    try:
        _message(digest, letter).send()
    except (OSError, ValueError) as wrong:  # the server; or an address or header it cannot take
        reason = f"{type(wrong).__name__}: {wrong}"[:300]
        pause = min(FIRST_PAUSE * 2 ** min(digest.attempts - 1, 10), LONGEST_PAUSE)
        Digest.objects.filter(pk=digest.pk).update(last_error=reason, claimed_until=now + pause)
        result.failed.append(Failure(digest.dealer, reason))
        return
    _mark_sent(digest, letter.reminder_ids, now)
    result.sent += 1


def _message(digest: Digest, letter: Letter) -> EmailMultiAlternatives:
    # The same digest always has the same Message-ID: a mail program shows a duplicate once.
    headers = {
        "Message-ID": f"<digest-{digest.dealer_id}-{digest.day}@{letter.host}>",
        "Auto-Submitted": "auto-generated",
    }
    message = EmailMultiAlternatives(
        letter.subject, letter.text, to=letter.recipients, headers=headers
    )
    message.attach_alternative(letter.html, "text/html")
    return message


@transaction.atomic
def _mark_sent(digest: Digest, reminder_ids: Sequence[int], now: datetime) -> None:
    Digest.objects.filter(pk=digest.pk).update(sent_at=now, claimed_until=None, last_error="")
    for start in range(0, len(reminder_ids), _CHUNK):
        some = reminder_ids[start : start + _CHUNK]
        Reminder.objects.filter(pk__in=some).update(last_told_on=digest.day)


def _wait(digest: Digest, result: SendResult) -> None:
    """Report a digest that pauses after a failure; one that somebody else is sending is theirs."""
    if digest.sent_at or not digest.last_error:
        result.already += 1
        return
    reason = f"tried {digest.attempts} times, next after {digest.claimed_until:%Y-%m-%d %H:%M} UTC"
    result.failed.append(Failure(digest.dealer, f"{reason}: {digest.last_error}"))
