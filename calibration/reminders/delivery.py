"""How an e-mail is delivered: claimed with a lease, sent, marked; a failure waits and is seen.

A crash between sending and marking leaves one duplicate at worst, with the same Message-ID, so
that a mail program shows it once; never a loss.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.core.mail import EmailMultiAlternatives
from django.db.models import F, Q

from calibration.models import Mailing

LEASE = timedelta(minutes=10)  # far longer than a mail server may take (EMAIL_TIMEOUT)
FIRST_PAUSE, LONGEST_PAUSE = timedelta(minutes=1), timedelta(hours=1)


@dataclass(frozen=True)
class Letter:
    """An e-mail that is ready to be sent.

    Attributes
    ----------
    recipients, subject, text, html
        What is sent to whom.
    message_id
        The same for the same letter, however often it is sent.
    reminder_ids
        The reminders that it tells.
    """

    recipients: list[str]
    subject: str
    text: str
    html: str
    message_id: str
    reminder_ids: list[int] = field(default_factory=list)


def claim(row: Mailing, letter: Letter, now: datetime) -> bool:
    """Take a letter for this call; of any number of callers the database lets one."""
    free = Q(claimed_until=None) | Q(claimed_until__lte=now)
    taken = (
        type(row)
        .objects.filter(free, pk=row.pk, sent_at=None)
        .update(
            claimed_until=now + LEASE,
            attempts=F("attempts") + 1,
            last_error="",
            recipients=letter.recipients,
            subject=letter.subject,
            body=letter.text,
        )
    )
    try:
        row.refresh_from_db()
    except type(row).DoesNotExist:  # somebody has just taken back what is no longer so
        return False
    return bool(taken)


def send(row: Mailing, letter: Letter, now: datetime) -> str:
    """Send a letter that was claimed; return why it failed, nothing where it went out.

    Whoever calls marks it as sent. One that failed is free again after a pause: a minute at
    first, doubled at each failure, an hour at most, from the moment at which its round began.
    """
    try:
        _message(letter).send()
    except (OSError, ValueError) as wrong:  # the server; or an address or header it cannot take
        reason = f"{type(wrong).__name__}: {wrong}"[:300]
        pause = min(FIRST_PAUSE * 2 ** min(row.attempts - 1, 10), LONGEST_PAUSE)
        mine = type(row).objects.filter(pk=row.pk)
        mine.update(last_error=reason, claimed_until=now + pause)
        return reason
    return ""


def mark_sent(row: Mailing, now: datetime) -> None:
    """Note that a letter went out."""
    mine = type(row).objects.filter(pk=row.pk)
    mine.update(sent_at=now, claimed_until=None, last_error="")


def waits(row: Mailing) -> str:
    """Return why a letter waits; nothing where somebody is sending it, or it was sent."""
    if row.sent_at or not row.last_error:
        return ""
    until = f", next after {row.claimed_until:%Y-%m-%d %H:%M} UTC" if row.claimed_until else ""
    often = "once" if row.attempts == 1 else f"{row.attempts} times"
    return f"tried {often}{until}: {row.last_error}"


def _message(letter: Letter) -> EmailMultiAlternatives:
    headers = {"Message-ID": letter.message_id, "Auto-Submitted": "auto-generated"}
    message = EmailMultiAlternatives(
        letter.subject, letter.text, to=letter.recipients, headers=headers
    )
    message.attach_alternative(letter.html, "text/html")
    return message
