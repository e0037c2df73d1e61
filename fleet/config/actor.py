"""Who acts in a request, for the audit trail: the session's person, or the token's."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from fleet.acting import Actor, acting


class WhoActs:
    """Lets the request's person act while it is answered; found out when something is written."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer, with the person known to the database."""
        via = "api" if request.path.startswith("/api/") else "desk"
        with acting(Actor(lambda: request.user.pk, via)):
            return self.get_response(request)
