"""Figures for a monitoring system, in the Prometheus text format: requests counted, rows read.

Requests are counted by each process; under gunicorn (`serving.py`) the processes of one server
share a folder, so that a page answers for all of them. What the rows say is read when it is asked.
"""

import hmac
import ipaddress
import os
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils.module_loading import import_string
from prometheus_client import (
    CONTENT_TYPE_LATEST,
    REGISTRY,
    CollectorRegistry,
    Counter,
    Histogram,
    generate_latest,
)
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector

GAUGES = "calibration.gauges.gauges"
PREFIX = "spanbook_"
FOLDER = "PROMETHEUS_MULTIPROC_DIR"
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})

REQUESTS = Counter(
    f"{PREFIX}requests", "Requests answered.", ["method", "route", "status"], registry=REGISTRY
)
SECONDS = Histogram(
    f"{PREFIX}request_seconds",
    "How long requests took.",
    ["method", "route"],
    buckets=(0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30),
    registry=REGISTRY,
)


def count_request(method: str, route: str, status: int, seconds: float) -> None:
    """Count one request under its route: never under its path, of which there is no end."""
    method = method if method in _METHODS else "other"
    REQUESTS.labels(method, route, str(status)).inc()
    SECONDS.labels(method, route).observe(seconds)


class Rows:
    """Reads the figures that the rows hold."""

    def collect(self) -> Iterable[GaugeMetricFamily]:
        """Yield each figure."""
        for gauge in import_string(GAUGES)(now=datetime.now(UTC)):
            family = GaugeMetricFamily(f"{PREFIX}{gauge.name}", gauge.says, labels=gauge.labels)
            for labels, value in gauge.values.items():
                family.add_metric(labels, value)
            yield family


def page(request: HttpRequest) -> HttpResponse:
    """Answer the figures to whom they are meant for; to others there is nothing here."""
    if not may_read(request):
        return HttpResponse("There is nothing here.\n", status=404, content_type="text/plain")
    registry: Any = REGISTRY
    if os.environ.get(FOLDER):
        registry = CollectorRegistry()
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call] # the library's
    text = generate_latest(registry)
    rows = CollectorRegistry()
    rows.register(Rows())
    return HttpResponse(text + generate_latest(rows), content_type=CONTENT_TYPE_LATEST)


def may_read(request: HttpRequest) -> bool:
    """Whether the caller gives METRICS_TOKEN, or asks from METRICS_ALLOW without a proxy."""
    kind, _, given = request.headers.get("Authorization", "").partition(" ")
    secret = settings.METRICS_TOKEN
    if secret and kind.lower() == "bearer":
        return hmac.compare_digest(given.strip().encode(), secret.encode())
    # Who came through a proxy that we do not know has its address: that says nothing.
    if request.META.get("SPANBOOK_FORWARDED"):
        return False
    try:
        address = ipaddress.ip_address(request.META.get("REMOTE_ADDR", ""))
    except ValueError:
        return False
    return any(address in network for network in settings.METRICS_ALLOW)
