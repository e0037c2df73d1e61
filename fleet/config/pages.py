"""The answers to what never reached a view, and to our own mistakes. They ask no database."""

from django.http import HttpRequest, HttpResponse, HttpResponseServerError
from django.template import loader
from django.utils.module_loading import import_string
from django.views.defaults import bad_request

from fleet import trace
from fleet.errors import Malformed, Problem

API = "/api/"


def refused(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer a request that is not taken as it stands, as for a host that we are not."""
    if request.path_info.startswith(API):
        accepted = "a request that names this server as its Host"
        wrong = Malformed(Problem("Host", "The request cannot be taken", accepted))
        answer: HttpResponse = import_string("api.errors.describe")(wrong).response()
        return answer
    return bad_request(request, exception)


def failed(request: HttpRequest) -> HttpResponse:
    """Answer a request in which something of ours went wrong.

    Nothing is told of what, but under which id the log has it.
    """
    if request.path_info.startswith(API):
        answer: HttpResponse = import_string("api.errors.failed")().response()
        return answer
    page = loader.get_template("500.html").render({"request_id": trace.current()})
    return HttpResponseServerError(page)
