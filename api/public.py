"""The one page that needs no account: whether a printed certificate still matches its record."""

import time
from uuid import UUID

from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, re_path
from django.views.decorators.http import require_safe

from calibration import matching

MOST, SECONDS = 30, 60  # questions of one address in a minute
POLICY = (
    "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_STATUS = {matching.UNKNOWN: 404}


@require_safe
def record(request: HttpRequest, key: UUID, printed: str) -> HttpResponse:
    """Say whether a record still is what its certificate shows."""
    wait = _wait(request.META.get("REMOTE_ADDR", ""))
    if wait:
        answer = render(request, "api/record.html", {"too_many": True}, status=429)
        answer["Retry-After"] = str(wait)
        return _guarded(answer)
    found = matching.match(key, printed.lower())
    status = _STATUS.get(found.verdict, 200)
    return _guarded(render(request, "api/record.html", {"found": found}, status=status))


@require_safe
def unknown(request: HttpRequest) -> HttpResponse:
    """Answer an address that is nobody's certificate."""
    found = matching.Match(matching.UNKNOWN)
    return _guarded(render(request, "api/record.html", {"found": found}, status=404))


def _guarded(answer: HttpResponse) -> HttpResponse:
    answer["Content-Security-Policy"] = POLICY
    answer["Cache-Control"] = "no-store"
    answer["Referrer-Policy"] = "no-referrer"
    answer["X-Robots-Tag"] = "noindex"
    return answer


def _wait(address: str) -> int:
    """Count a question; return for how many seconds this address has to wait."""
    now = time.time()
    window = int(now // SECONDS)
    name = f"records:{address}:{window}"
    cache.add(name, 0, 2 * SECONDS)
    try:
        asked = cache.incr(name)
    except ValueError:  # it went out of the cache between the two calls
        return 0
    return 0 if asked <= MOST else max(1, round((window + 1) * SECONDS - now))


urlpatterns = [
    path("<uuid:key>/<str:printed>/", record, name="public-record"),
    re_path(r"^.*$", unknown),
]
