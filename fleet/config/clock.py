"""In which time zone the desk writes moments: that of the person's dealer."""

from collections.abc import Callable
from datetime import datetime, timedelta, tzinfo
from functools import cached_property

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

DESK = "/admin/"


class PersonsZone:
    """Lets the desk write what belongs to no dealer (runs, changes) in the person's own zone."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer, with the person's zone set while the page is made."""
        from fleet.admin.door import zone_in

        if not request.path.startswith(DESK):
            return self.get_response(request)
        with timezone.override(ZoneWhenAsked(lambda: zone_in(request))):
            return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> None:
        """Let a page about an error look alike for everybody."""
        timezone.deactivate()


class ZoneWhenAsked(tzinfo):
    """A time zone that is looked up when a moment is written: by then one knows who signed in."""

    def __init__(self, find: Callable[[], tzinfo]) -> None:
        self._find = find

    @cached_property
    def zone(self) -> tzinfo:
        """The zone itself."""
        return self._find()

    def __str__(self) -> str:
        """Return the zone's name, as databases know it."""
        return str(self.zone)

    def utcoffset(self, moment: datetime | None) -> timedelta | None:
        """Return the offset of a wall clock's moment."""
        return self.zone.utcoffset(moment)

    def dst(self, moment: datetime | None) -> timedelta | None:
        """Return how much of it is summer time."""
        return self.zone.dst(moment)

    def tzname(self, moment: datetime | None) -> str | None:
        """Return the offset's name."""
        return self.zone.tzname(moment)

    def fromutc(self, moment: datetime) -> datetime:
        """Return a moment of UTC on the zone's wall clock."""
        return self.zone.fromutc(moment.replace(tzinfo=self.zone))
