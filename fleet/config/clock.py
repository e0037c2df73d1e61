"""In which time zone the desk writes moments: that of the person's dealer."""

from collections.abc import Callable

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
        with timezone.override(zone_in(request)):
            return self.get_response(request)
