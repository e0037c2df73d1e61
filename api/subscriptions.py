"""The calendar behind a secret address: who knows it reads it, everybody else finds nothing."""

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt

from api.calendars import calendar_of
from api.downloads import download
from api.errors import describe
from api.rendering import Calendar
from calibration.planning import feeds
from fleet.errors import NotFound


@csrf_exempt
def subscription(request: HttpRequest, secret: str) -> HttpResponse:
    """Answer a calendar program; a wrong secret, and a revoked one, like any absent address."""
    feed = feeds.found(secret) if request.method in {"GET", "HEAD"} else None
    if feed is None:
        details = describe(NotFound("There is nothing at this address, or not for you."))
        assert details is not None
        return details.response()
    whose = feed.technician.get_full_name() or feed.technician.username if feed.technician else ""
    content = calendar_of(
        feeds.visits_of(feed, now=timezone.now()),
        name=f"{feed.dealer.name}: visits{f' of {whose}' if whose else ''}",
        zone=feed.dealer.timezone,
        reader=feed.technician,
    )
    answer = download(content, Calendar, "visits")
    answer["Cache-Control"] = "private, no-cache"
    answer["Referrer-Policy"] = "no-referrer"  # the address is the secret
    return answer
