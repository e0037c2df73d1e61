"""A request that is larger than any upload may be is refused before its body is read."""

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse

FORM = 2**20  # what a form adds to the file in it


class BoundedBody:
    """Looks at the length that a request declares; the API says it in its own words."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer, or refuse with 413 and the limit."""
        length = request.META.get("CONTENT_LENGTH") or "0"
        most = settings.IMPORT_LARGEST + FORM
        if length.isdigit() and int(length) > most and not request.path.startswith("/api/"):
            return HttpResponse(
                f"The upload has {int(length):,} bytes. "
                f"Accepted: a file of at most {settings.IMPORT_LARGEST:,} bytes; split it by "
                "season.",
                status=413,
                content_type="text/plain; charset=utf-8",
            )
        return self.get_response(request)
