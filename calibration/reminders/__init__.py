"""Tell each dealer, once a day, what is due, and the customers, where the dealer wants it.

`content` and `notes` say what is told, `wording` how it reads (in the dealer's language),
`delivery` how it is sent once. A digest is one row for each dealer and local day, a note one for
each change of a visit that its customer has to know. Nothing counts as told before it was sent,
so what one day could not deliver is in the next day's digest.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import NamedTuple

from django.db import transaction

from calibration.claiming import Clock
from calibration.models import CustomerNote, Digest, Mailing, Reminder
from calibration.reminders import content, delivery, notes
from calibration.reminders.delivery import Letter
from fleet.models import Dealer

__all__ = ["Failure", "SendResult", "send_reminders"]

AWAKE_FROM, AWAKE_UNTIL = time(6), time(20)  # local time; nobody is written to at night
NOBODY = "nobody to write to: give the dealer an e-mail address, or one of its service managers"
_CHUNK = 10_000  # SQLite takes at most 32,766 values in one statement


class Failure(NamedTuple):
    """A dealer who could not be told, or whose customer could not, and why."""

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
    notes
        Notes to customers sent by this call.
    failed
        Dealers with something due who could not be told; all of it is tried again.
    """

    sent: int = 0
    already: int = 0
    notes: int = 0
    failed: list[Failure] = field(default_factory=list)


def send_reminders(*, now: datetime, dealer: Dealer | None = None) -> SendResult:
    """Send today's digest to one dealer, or to all, where it is day and not yet sent.

    `now` is the moment at which the caller read the clock: a round of many letters takes a
    while, and each is claimed and marked at its own moment.
    """
    result, clock = SendResult(), Clock(now)
    for each in [dealer] if dealer else Dealer.objects.order_by("pk"):
        here = clock.now().astimezone(each.zone)
        if AWAKE_FROM <= here.time() < AWAKE_UNTIL:
            _tell(each, here.date(), clock, result)
            if each.tells_customers:
                _tell_customers(each, here.date(), clock, result)
    return result


# ── The dealer ────────────────────────────────────────────────────────────────
def _tell(dealer: Dealer, day: date, clock: Clock, result: SendResult) -> None:
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
        Digest.objects.filter(pk=digest.pk, sent_at=None).update(last_error=NOBODY)
        result.failed.append(Failure(dealer, NOBODY))
        return
    state = _deliver(digest, letter, clock)
    if state.sent:
        _mark_told(digest, letter.reminder_ids, clock.now())
        result.sent += 1
    elif state.failed:
        result.failed.append(Failure(dealer, state.failed))
    else:
        result.already += 1


@transaction.atomic
def _mark_told(digest: Digest, reminder_ids: Sequence[int], now: datetime) -> None:
    delivery.mark_sent(digest, now)
    for start in range(0, len(reminder_ids), _CHUNK):
        some = reminder_ids[start : start + _CHUNK]
        Reminder.objects.filter(pk__in=some).update(last_told_on=digest.day)


# ── Customers ─────────────────────────────────────────────────────────────────
def _tell_customers(dealer: Dealer, day: date, clock: Clock, result: SendResult) -> None:
    notes.withdraw(dealer, day, clock.now())
    for visit in notes.to_tell(dealer, day, clock.now()):
        key = notes.key_of(visit)
        letter = notes.letter(visit, key, day)
        if letter is None:
            continue
        note, _ = CustomerNote.objects.get_or_create(
            **key, defaults={"subject": letter.subject, "body": letter.text}
        )
        state = _deliver(note, letter, clock)
        if state.sent:
            delivery.mark_sent(note, clock.now())
            result.notes += 1
        elif state.failed:
            reason = f"note to {visit.customer.name}: {state.failed}"
            result.failed.append(Failure(dealer, reason))


class _State(NamedTuple):
    sent: bool
    failed: str


def _deliver(row: Mailing, letter: Letter, clock: Clock) -> _State:
    """Claim and send a letter; neither sent nor failed: somebody else has it."""
    if not delivery.claim(row, letter, clock.now()):
        return _State(sent=False, failed=delivery.waits(row))
    reason = delivery.send(row, letter, clock.begun)
    return _State(sent=not reason, failed=reason)
