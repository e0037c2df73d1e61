"""The page of our own mistakes: it asks no database, and says under which id the log has it."""

from django.http import HttpRequest, HttpResponseServerError
from django.template import loader

from fleet import trace


def failed(request: HttpRequest) -> HttpResponseServerError:
    """Answer a request in which something of ours went wrong; nothing of what is told."""
    page = loader.get_template("500.html").render({"request_id": trace.current()})
    return HttpResponseServerError(page)
