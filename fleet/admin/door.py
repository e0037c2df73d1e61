"""Whose rows a request may see, and to which dealer a row belongs."""

from datetime import UTC, tzinfo
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.db import models
from django.http import HttpRequest

from fleet import access, second_factor
from fleet.models import ScopedModel, User
from fleet.scope import Scope

_SCOPE = "spanbook.scope"


def scope_in(request: HttpRequest) -> Scope:
    """Return whose rows this request may see; asked of the database once."""
    if _SCOPE not in request.META:
        request.META[_SCOPE] = access.scope_of(request.user)
    return cast("Scope", request.META[_SCOPE])


def zone_in(request: HttpRequest) -> tzinfo:
    """Return the time zone of the caller's dealers; UTC where they have several, or none.

    And where nobody asked yet who calls: a page about an error asks no database.
    """
    known: Scope | None = request.META.get(_SCOPE)
    names = known.zones if known else ()
    return ZoneInfo(*names) if len(names) == 1 else UTC


def is_let_in(request: HttpRequest) -> bool:
    """Whether who is signed in has a role somewhere, and a second factor where it is asked."""
    scope = scope_in(request)
    has_role = scope.everywhere or bool(scope.dealers)
    return has_role and not second_factor.is_missing(request.user, scope)


def visible(model: type[models.Model], scope: Scope) -> models.QuerySet[Any]:
    """Return the rows of a table that a caller may see; none where the table has no such rule."""
    if issubclass(model, User):
        return access.users_visible_to(scope)
    if issubclass(model, ScopedModel):
        return cast("models.QuerySet[Any]", model.objects.visible_to(scope))
    return models.QuerySet(model).none()


def dealer_of(row: models.Model | None) -> int | None:
    """Return the dealer to whom a row belongs, along the path that its table declares."""
    path = getattr(row, "dealer_path", "")
    if row is None or path in {"", "*"}:
        return None
    if path == "pk":
        return cast("int | None", row.pk)
    *before, last = path.split("__")
    for step in before:
        row = getattr(row, step)
    return cast("int | None", getattr(row, f"{last}_id"))
