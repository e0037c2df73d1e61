"""Slowing down those who guess passwords: failed attempts count, by address and by user name."""

import hashlib
import time

from django.core.cache import cache
from rest_framework.exceptions import Throttled
from rest_framework.request import Request
from rest_framework.settings import api_settings
from rest_framework.throttling import SimpleRateThrottle


class Attempts:
    """The failed attempts of one address, and those on one user name."""

    def __init__(self, request: Request, username: str) -> None:
        rate = str(api_settings.DEFAULT_THROTTLE_RATES["tokens"])
        most, seconds = _Rate().parse_rate(rate)
        assert most is not None
        assert seconds is not None
        self.most, self.seconds = most, seconds
        named = hashlib.sha256(username.casefold().encode()).hexdigest()
        address = request.META.get("REMOTE_ADDR", "")
        self.keys = (f"attempts:address:{address}", f"attempts:name:{named}")

    def refuse_too_many(self) -> None:
        """Raise Throttled where too many attempts failed of late."""
        waits = [self._wait(key) for key in self.keys]
        if max(waits) > 0:
            raise Throttled(wait=max(waits))

    def count(self) -> None:
        """Count a failed attempt."""
        for key in self.keys:
            cache.set(key, [*self._recent(key), time.time()], self.seconds)

    def _recent(self, key: str) -> list[float]:
        since = time.time() - self.seconds
        return [moment for moment in cache.get(key, []) if moment > since][-self.most :]

    def _wait(self, key: str) -> float:
        recent = self._recent(key)
        return recent[0] + self.seconds - time.time() if len(recent) >= self.most else 0.0


class _Rate(SimpleRateThrottle):
    """The framework's reading of a rate like 20/min."""

    rate = "1/s"
