"""Tell the addresses that dealers named what happened: in order, signed, until they take it.

An address keeps the number of the last event that it took; what it has not taken is what comes
after. Whoever claims it sends the next ones, one after the other, and notes each. A crash between
sending and noting sends one twice, under the same id; nothing is lost. One that fails is tried
again after a pause that doubles; the events wait.
"""

import json
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import urllib3
from django.conf import settings
from django.db.models import F, Q, QuerySet

from calibration import events
from calibration.claiming import Clock
from calibration.models import Event, Webhook
from calibration.webhooks import addresses, signing
from calibration.webhooks.addresses import Refused, Target
from fleet import registry
from fleet.errors import Invalid, Problem
from fleet.models import Dealer

__all__ = ["Told", "backlog", "change", "enter", "replay", "rotate", "tell_addresses", "try_out"]

LEASE = timedelta(minutes=5)
FIRST_PAUSE, LONGEST_PAUSE = timedelta(seconds=30), timedelta(hours=6)
BOTH_SECRETS = timedelta(hours=24)  # after a rotation, both sign
AT_ONCE = 200  # events of one address in one claim
_GONE = 410
# A name that no certificate or header can hold is a ValueError.
_NOT_SENT = (OSError, ValueError, urllib3.exceptions.HTTPError, Refused, signing.Unsealable)
Sender = Callable[[Target, bytes, dict[str, str]], int]


@dataclass
class Told:
    """What a call came to: events that were taken, and addresses that failed, with the reason."""

    sent: int = 0
    failed: list[tuple[Webhook, str]] = field(default_factory=list)


# ── Addresses ─────────────────────────────────────────────────────────────────
def enter(
    *, dealer: Dealer, url: str, kinds: list[str], by: int | None, now: datetime
) -> tuple[Webhook, str]:
    """Enter an address that is told of what happens from now on; returns it and its secret.

    Raises
    ------
    Invalid
        If it cannot be called.
    """
    _check(url)
    events.number()
    secret = signing.new_secret()
    row = Webhook(
        dealer=dealer, url=url, kinds=kinds, secret=signing.seal(secret),
        told=events.last_number(), created_at=now, created_by_id=by,
    )  # fmt: skip
    return registry.clean_and_save(row), secret


def change(row: Webhook, *, url: str | None = None, **values: Any) -> Webhook:
    """Change an address, its kinds, or whether it is told; one that is told again starts fresh.

    Who is telling the former address stops: the claim is not theirs any more.
    """
    if url is not None:
        _check(url)
        values |= {"url": url, "claimed_until": None}
    if values.get("active") or url is not None:
        values |= {
            "attempts": 0, "next_attempt_at": None, "failing_since": None, "last_error": "",
        }  # fmt: skip
    for name, value in values.items():
        setattr(row, name, value)
    return registry.clean_and_save(row, only=values)


def rotate(row: Webhook, *, now: datetime) -> str:
    """Give it a new secret and return that; the one before signs beside it for a day."""
    secret = signing.new_secret()
    row.secret_before, row.secret_before_until = row.secret, now + BOTH_SECRETS
    row.secret = signing.seal(secret)
    row.save(update_fields=["secret", "secret_before", "secret_before_until"])
    return secret


def replay(row: Webhook, after: int) -> Webhook:
    """Tell it again of everything after an event, as soon as a worker looks.

    Who is telling it now stops: the claim is not theirs any more.

    Raises
    ------
    Invalid
        For an event that there has not been: nothing would be told until then.
    """
    last = events.last_number()
    if after > last:
        raise Invalid(Problem("after", "There is no such event yet", f"0 to {last}", str(after)))
    again = {"told": after, "next_attempt_at": None, "claimed_until": None}
    Webhook.objects.filter(pk=row.pk).update(**again)
    row.refresh_from_db()
    return row


def try_out(row: Webhook, *, now: datetime) -> None:
    """Have it told that somebody asked whether it works."""
    Event.objects.create(dealer_id=row.dealer_id, kind=Event.Kind.TEST, at=now, subject=row.pk)


def backlog(row: Webhook) -> "QuerySet[Event]":
    """Return what it has not taken yet."""
    rows: QuerySet[Event] = Event.objects.filter(dealer=row.dealer_id, number__gt=row.told)
    return rows.filter(_wanted(row)).order_by("number")


def _wanted(row: Webhook) -> Q:
    asked = Q(kind__in=[*row.kinds, Event.Kind.TEST]) if row.kinds else Q()
    # Somebody tries one address; the dealer's others are not meant.
    return asked & (~Q(kind=Event.Kind.TEST) | Q(subject=str(row.pk)))


def _check(url: str) -> None:
    try:
        addresses.read(url)
        addresses.find(url)
    except Refused as refused:
        problem = Problem("url", f"This is not called: {refused}", addresses.ACCEPTED, url[:80])
        raise Invalid(problem) from refused
    except OSError as wrong:
        problem = Problem("url", "The host is not known", addresses.ACCEPTED, url[:80])
        raise Invalid(problem) from wrong


# ── Telling ───────────────────────────────────────────────────────────────────
def tell_addresses(*, now: datetime, send: Sender | None = None) -> Told:
    """Tell every address that is due what it has not taken yet."""
    events.number()
    told = Told()
    clock = Clock(now)
    for row in Webhook.objects.filter(_due(now), active=True).select_related("dealer"):
        if backlog(row).exists() and _claim(row, clock.now()):
            _tell(row, clock, told, send or post)
    return told


def _due(now: datetime) -> Q:
    return Q(next_attempt_at=None) | Q(next_attempt_at__lte=now)


def _claim(row: Webhook, now: datetime) -> bool:
    """Take an address for this call; of any number of callers the database lets one."""
    free = _due(now) & (Q(claimed_until=None) | Q(claimed_until__lte=now))
    until = now + LEASE
    taken = Webhook.objects.filter(free, pk=row.pk, active=True).update(claimed_until=until)
    row.refresh_from_db()
    row.claimed_until = until  # ours, even where somebody has taken it by now
    return bool(taken)


def _tell(row: Webhook, clock: Clock, told: Told, send: Sender) -> None:
    mine = Webhook.objects.filter(pk=row.pk, claimed_until=row.claimed_until)
    begun = clock.now()
    for event in backlog(row)[:AT_ONCE]:
        moment = clock.now()
        if moment >= begun + LEASE / 2:
            break  # the rest is somebody's next turn
        wrong = _send(row, event, moment, send)
        if wrong:
            _failed(row, mine, wrong, clock.now())
            told.failed.append((row, wrong))
            return
        noted = mine.update(
            told=event.number, attempts=0, failing_since=None, last_error="", last_told_at=moment
        )
        if not noted:
            return  # somebody else has it now
        told.sent += 1
    mine.update(claimed_until=None, next_attempt_at=None)


def _send(row: Webhook, event: Event, now: datetime, send: Sender) -> str:
    """Send one event; returns what went wrong, or nothing."""
    body = json.dumps(message(event), separators=(",", ":")).encode()
    try:
        secrets = [signing.unseal(bytes(row.secret))]
        if row.secret_before and row.secret_before_until and now < row.secret_before_until:
            secrets.append(signing.unseal(bytes(row.secret_before)))
        signed = signing.headers(
            secrets, key=f"evt_{event.number}", timestamp=int(now.timestamp()), body=body
        )
        status = send(addresses.find(row.url), body, signed)
    except _NOT_SENT as wrong:
        return f"{type(wrong).__name__}: {wrong}"[:300]
    if status == _GONE:
        Webhook.objects.filter(pk=row.pk, url=row.url).update(active=False)
    return "" if 200 <= status < 300 else f"it answered {status}"


def _failed(row: Webhook, mine: "QuerySet[Webhook]", wrong: str, now: datetime) -> None:
    pause = min(FIRST_PAUSE * 2 ** min(row.attempts, 12), LONGEST_PAUSE)
    jitter = random.uniform(1.0, 1.2)  # noqa: S311 # nosec B311 - not all at once, no secret
    mine.update(
        attempts=F("attempts") + 1,
        failing_since=row.failing_since or now,
        last_error=wrong,
        next_attempt_at=now + pause * jitter,
        claimed_until=None,
    )


def message(event: Event) -> dict[str, Any]:
    """Return an event as it is sent: what the API shows of it."""
    return {
        "type": event.kind,
        "timestamp": event.at.isoformat(),
        "data": {
            "number": event.number,
            "dealer": event.dealer_id,
            "subject": event.subject,
            "sensor": event.sensor,
            **event.data,
        },
    }


def post(target: Target, body: bytes, signed: dict[str, str]) -> int:
    """Send a body to an address by its looked-up IP; redirects are not followed."""
    timeout = urllib3.Timeout(connect=5.0, read=settings.WEBHOOK_TIMEOUT)
    headers = signed | {"Content-Type": "application/json", "Host": target.authority}
    options: dict[str, Any] = {"timeout": timeout, "retries": False, "maxsize": 1}
    if target.url.scheme == "https":
        options |= {"server_hostname": target.host, "assert_hostname": target.host}
        pool: Any = urllib3.HTTPSConnectionPool(target.ip, target.port, **options)
    else:
        pool = urllib3.HTTPConnectionPool(target.ip, target.port, **options)
    with pool:
        answer = pool.request(
            "POST", target.path, body=body, headers=headers, redirect=False, preload_content=False
        )
        answer.close()  # nothing of what it says is read: it might take hours to say it
    return int(answer.status)
