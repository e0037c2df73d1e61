"""How much one person may ask for in a minute; guessing at passwords is `fleet.guessing`'s."""

import time
from typing import TYPE_CHECKING

from django.conf import settings
from django.core.cache import cache
from rest_framework.request import Request
from rest_framework.throttling import BaseThrottle

from fleet.guessing import address_of

if TYPE_CHECKING:  # the framework's views import us
    from rest_framework.views import APIView

WINDOW = 60


class PerPerson(BaseThrottle):
    """Lets each person, or each address without one, ask so many times in a minute.

    Counted by the clock's minutes, one number each, and by each process for itself: what is meant
    is a script that runs away, not a quota.
    """

    def allow_request(self, request: Request, view: "APIView") -> bool:
        """Count the request; whether it is still within the limit."""
        who = request.user.pk if request.user.is_authenticated else address_of(request)
        key = f"asked:{who}:{int(time.time()) // WINDOW}"
        if cache.add(key, 1, WINDOW * 2):
            return True
        try:
            return int(cache.incr(key)) <= settings.API_REQUESTS_PER_MINUTE
        except ValueError:  # it ran out in this very moment
            return True

    def wait(self) -> float:
        """Return for how many seconds: to the end of the minute."""
        return WINDOW - time.time() % WINDOW
