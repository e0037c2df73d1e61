"""The page of one's own tokens."""

from typing import Any

from django.contrib import messages
from django.contrib.admin import AdminSite
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, HttpResponseRedirect
from django.template.response import TemplateResponse
from django.urls import reverse
from django.utils import timezone

from fleet.errors import DomainError
from fleet.models import User
from fleet.own_tokens import make_token, revoke_token, tokens_of

PAGE = "admin:fleet_user_tokens"


def tokens_page(site: AdminSite, request: HttpRequest) -> HttpResponse:
    """Show the caller's own tokens; make one, and show it this once."""
    person, now, token, said = request.user, timezone.now(), "", ""
    assert isinstance(person, User)
    if request.method == "POST":
        try:
            token = make_token(person, name=request.POST.get("name", ""), now=now)
        except DomainError as refusal:
            said = str(refusal)
    context: dict[str, Any] = {
        **site.each_context(request),
        "title": "My tokens",
        "token": token,
        "refused": said,
        "typed": request.POST.get("name", "") if said else "",
        "tokens": [
            row | {"over": bool(row["expiry"] and row["expiry"] <= now)}
            for row in tokens_of(person)
        ],
    }
    answer = TemplateResponse(request, "desk/tokens.html", context)
    answer.headers["Cache-Control"] = "no-store"
    return answer


def revoke_page(request: HttpRequest, key: str) -> HttpResponse:
    """Revoke one of the caller's own tokens."""
    if request.method != "POST":
        return HttpResponseNotAllowed(["POST"])
    assert isinstance(request.user, User)
    try:
        revoke_token(request.user, key=key)
    except DomainError as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, "The token is revoked.")
    return HttpResponseRedirect(reverse(PAGE))
