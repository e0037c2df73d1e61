"""The outermost layers of the web server: who really asks, under which id, and the probes.

They stand before everything else, so that a probe needs no host name, no sign-in and no TLS, and
so that whatever looks at an address afterwards sees the client's and not the proxy's.
"""

import ipaddress
import logging
import time
from collections.abc import Callable, Mapping
from typing import Any

from django.conf import settings
from django.core.signals import request_finished
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase

from fleet import trace
from fleet.config import health, metrics

logger = logging.getLogger("spanbook.requests")

Next = Callable[[HttpRequest], HttpResponseBase]
HEADER = "X-Request-ID"
FORWARDED = ("HTTP_X_FORWARDED_FOR", "HTTP_X_FORWARDED_PROTO", "HTTP_X_FORWARDED_HOST",
             "HTTP_X_FORWARDED_PORT", "HTTP_FORWARDED")  # fmt: skip


class TrustedProxy:
    """Believes what a proxy says of the client, where the proxy is one of ours; nobody else."""

    def __init__(self, get_response: Next) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer, with REMOTE_ADDR being the client's."""
        meta = request.META
        if is_trusted(meta.get("REMOTE_ADDR", "")):
            meta["REMOTE_ADDR"] = client_of(
                meta.get("HTTP_X_FORWARDED_FOR", ""), meta.get("REMOTE_ADDR", "")
            )
        else:
            said = [meta.pop(name, None) for name in FORWARDED]
            meta["SPANBOOK_FORWARDED"] = any(said)
        return self.get_response(request)


def is_trusted(address: str) -> bool:
    """Whether an address is one of our proxies (TRUSTED_PROXIES)."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return False
    return any(found in network for network in settings.TRUSTED_PROXIES)


def client_of(chain: str, peer: str) -> str:
    """Return the nearest address of a chain that is no proxy of ours; the rest may be forged."""
    for hop in reversed([part.strip() for part in chain.split(",") if part.strip()]):
        try:
            address = str(ipaddress.ip_address(hop))
        except ValueError:
            break  # whatever stands before it was not written by a proxy of ours
        if not is_trusted(address):
            return address
        peer = address
    return peer


class Occasion:
    """Gives each request its id, sends it back, says one line about it and counts it."""

    def __init__(self, get_response: Next) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer under the request's id."""
        begun = time.perf_counter()
        # It ends when the answer is sent (request_finished): lines may follow until then.
        request_id = trace.begin(request.headers.get(HEADER))
        response = self.get_response(request)
        response.headers[HEADER] = request_id
        self._say(request, response, time.perf_counter() - begun)
        return response

    def _say(self, request: HttpRequest, response: HttpResponseBase, seconds: float) -> None:
        match = request.resolver_match
        route = f"/{match.route}" if match else "none"
        metrics.count_request(request.method or "", route, response.status_code, seconds)
        user = getattr(request, "_cached_user", None)  # who was looked up, without looking up
        logger.info(
            "%s %s %s", request.method, request.path, response.status_code,
            extra={
                "method": request.method, "route": route, "status": response.status_code,
                "ms": round(seconds * 1000, 1), "user": getattr(user, "pk", None),
                "address": request.META.get("REMOTE_ADDR", ""),
            },
        )  # fmt: skip


def _ended(**_: Any) -> None:
    trace.end()


request_finished.connect(_ended, dispatch_uid="fleet.config.edge")


class Probes:
    """Answers whether we live, whether we are ready, and our figures; before everything else."""

    def __init__(self, get_response: Next) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer a probe, or hand on."""
        probe = PROBES.get(request.path_info)
        if probe is None:
            return self.get_response(request)
        if request.method not in {"GET", "HEAD"}:
            return HttpResponse(status=405, headers={"Allow": "GET, HEAD"})
        answer = probe(request)
        answer.headers["Cache-Control"] = "no-store"
        answer.headers["X-Content-Type-Options"] = "nosniff"
        return answer


PROBES: Mapping[str, Callable[[HttpRequest], HttpResponse]] = {
    "/healthz": health.alive,
    "/readyz": health.ready,
    "/metrics": metrics.page,
}
