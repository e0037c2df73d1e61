"""A list's filters kept as links under a name, each person their own."""

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, HttpResponseRedirect
from django.urls import path, reverse

from calibration import triage
from calibration.admin.showing import Desk
from fleet.errors import DomainError

PAGING = {"p", "all", "e"}


class Looks(Desk):
    """A list that remembers how a person looks at it."""

    def changelist_view(self, request: HttpRequest, extra_context: Any = None) -> HttpResponse:
        """Show the list with the caller's own links above it."""
        here = urlencode(
            [(name, value) for name, value in request.GET.items() if name not in PAGING]
        )
        looks = [
            look | {"here": look["query"] == here}
            for look in triage.kept_looks(request.user.pk or 0)
        ]
        context = {"looks": looks, "look_query": here, **(extra_context or {})}
        return super().changelist_view(request, context)

    def get_urls(self) -> list[Any]:
        """Add keeping a link and dropping it."""
        door, name = self.admin_site.admin_view, f"calibration_{self.opts.model_name}"
        return [
            path("looks/keep/", door(self.keep), name=f"{name}_keep"),
            path("looks/<int:key>/drop/", door(self.drop), name=f"{name}_drop"),
            *super().get_urls(),
        ]

    def keep(self, request: HttpRequest) -> HttpResponse:
        """Keep the filters of the page that asks."""
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        query = request.POST.get("query", "")
        try:
            look = triage.keep_look(
                user_id=request.user.pk or 0, name=request.POST.get("name", ""), query=query
            )
        except DomainError as refusal:
            self.message_user(request, str(refusal), messages.ERROR)
        else:
            self.message_user(request, f"Kept as {look.name!r}.", messages.SUCCESS)
        return self._back(query)

    def drop(self, request: HttpRequest, key: int) -> HttpResponse:
        """Drop a link."""
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        try:
            triage.drop_look(user_id=request.user.pk or 0, key=key)
        except DomainError as refusal:
            self.message_user(request, str(refusal), messages.ERROR)
        return self._back("")

    def _back(self, query: str) -> HttpResponse:
        address = reverse(f"admin:calibration_{self.opts.model_name}_changelist")
        return HttpResponseRedirect(f"{address}?{query}" if query else address)
