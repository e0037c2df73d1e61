"""The answer to our own mistakes: it asks no database, and says under which id the log has it."""

from django.http import HttpRequest, HttpResponse, HttpResponseServerError
from django.template import loader
from django.utils.module_loading import import_string

from fleet import trace

API = "/api/"


def failed(request: HttpRequest) -> HttpResponse:
    """Answer a request in which something of ours went wrong; nothing of what is told."""
    if request.path_info.startswith(API):
        answer: HttpResponse = import_string("api.errors.failed")().response()
        return answer
    page = loader.get_template("500.html").render({"request_id": trace.current()})
    return HttpResponseServerError(page)
