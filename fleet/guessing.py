"""Slowing down those who guess passwords and codes, without shutting out those who know them.

Three rules, for the desk and the API alike, about failures only:

- a name tried from an address too often is locked *there* for a while (django-axes, in the
  database, so that all processes and a restart agree);
- an address that fails too often in a minute waits, whatever names it tries;
- a name at which many addresses guess is closed for a minute to addresses from which its owner
  never signed in: the owner's own desk stays open, so no stranger can lock anybody out.

The counts of a minute are kept by each process for itself.
"""

import hashlib
import ipaddress
import time
from datetime import datetime, timedelta
from importlib import import_module
from typing import Any

from axes.handlers.proxy import AxesProxyHandler
from axes.models import AccessAttempt, AccessLog
from django.conf import settings
from django.core.cache import cache
from django.db.models import Max
from django.http import HttpRequest

MOST, WINDOW = 20, 60  # failures, seconds
REMEMBERED = timedelta(days=90)  # how long an address counts as one's own


def address_of(request: HttpRequest) -> str | None:
    """Return the client's address; None where there is none, as on a socket of this machine."""
    given = str(request.META.get("REMOTE_ADDR", ""))
    try:
        return str(ipaddress.ip_address(given))
    except ValueError:
        return None


def wait(request: HttpRequest, username: str, *, now: datetime) -> float:
    """Return for how many seconds this caller must not try this name; 0: at once."""
    address = address_of(request)
    waits = [_locked_for(request, username, now), _counted(_of_address(address))]
    guessed_at = _counted(_of_name(username))
    if guessed_at and not is_known(username, address, now=now):
        waits.append(guessed_at)
    return max(waits)


def is_known(username: str, address: str | None, *, now: datetime) -> bool:
    """Whether the owner of a name signed in from an address of late."""
    return bool(
        AccessLog.objects.filter(
            username=username, ip_address=address, attempt_time__gte=now - REMEMBERED
        ).exists()
    )


def count(
    sender: Any, credentials: dict[str, Any], request: HttpRequest | None = None, **_: Any
) -> None:
    """Count a failed attempt (a receiver of Django's signal)."""
    if request is None:
        return
    for key in (_of_address(address_of(request)), _of_name(str(credentials.get("username", "")))):
        cache.set(key, [*_recent(key), time.time()], WINDOW)


def forget_old(*, now: datetime) -> int:
    """Remove what is no longer looked at: old attempts and sign-ins, sessions that are over."""
    sessions: Any = import_module(settings.SESSION_ENGINE).SessionStore
    sessions.clear_expired()
    attempts = AccessAttempt.objects.filter(attempt_time__lt=now - 2 * settings.AXES_COOLOFF_TIME)
    sign_ins = AccessLog.objects.filter(attempt_time__lt=now - REMEMBERED)
    return int(attempts.delete()[0] + sign_ins.delete()[0])


def _locked_for(request: HttpRequest, username: str, now: datetime) -> float:
    if not settings.AXES_ENABLED:
        return 0.0
    if AxesProxyHandler.is_allowed(request, {"username": username}):
        return 0.0
    mine = AccessAttempt.objects.filter(username=username, ip_address=address_of(request))
    last = mine.aggregate(last=Max("attempt_time"))["last"] or now
    return max(1.0, (last + settings.AXES_COOLOFF_TIME - now).total_seconds())


def _of_address(address: str | None) -> str:
    return f"attempts:address:{address}"


def _of_name(username: str) -> str:
    return f"attempts:name:{hashlib.sha256(username.casefold().encode()).hexdigest()}"


def _recent(key: str) -> list[float]:
    since = time.time() - WINDOW
    return [moment for moment in cache.get(key, []) if moment > since][-MOST:]


def _counted(key: str) -> float:
    recent = _recent(key)
    return max(0.0, recent[0] + WINDOW - time.time()) if len(recent) >= MOST else 0.0
