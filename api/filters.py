"""Filters, search and order of lists: what a view names is understood, everything else refused.

A view says `filters = {"status": OneOf("status", words)}`, `orderings = {"due_on": "due_on"}` and
`search_fields`. The same words make the parameters of the OpenAPI description.
"""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from django.db.models import F, Model, OrderBy, Q
from rest_framework.filters import BaseFilterBackend, SearchFilter
from rest_framework.request import Request

from api.conditions import Filter
from api.errors import BadQuery
from api.scoping import scope_for
from fleet.errors import Problem
from fleet.models.folded import anywhere

if TYPE_CHECKING:  # the framework's views import us
    from rest_framework.views import APIView

RESERVED = ("cursor", "page_size", "ordering", "search", "format", "fields")


class Filters(BaseFilterBackend):
    """Applies a view's `filters`; several values of one parameter are alternatives."""

    def filter_queryset(self, request: Request, queryset: Any, view: "APIView") -> Any:
        """Return the rows that meet every parameter; refuse parameters that are not known."""
        filters: Mapping[str, Filter] = getattr(view, "filters", {})
        _refuse_unknown(request, view, filters)
        problems: list[Problem] = []
        for name, rule in filters.items():
            alternatives = Q()
            for text in request.query_params.getlist(name):
                try:
                    alternatives |= rule.condition(_clean(text), scope_for(request))
                except (ValueError, KeyError, OverflowError):
                    problems.append(_bad(name, text, rule.accepted))
            queryset = queryset.filter(alternatives) if alternatives else queryset
        if problems:
            raise BadQuery(*problems)
        return queryset

    def get_schema_operation_parameters(self, view: "APIView") -> list[dict[str, Any]]:
        """Return the parameters for the OpenAPI description."""
        filters: Mapping[str, Filter] = getattr(view, "filters", {})
        return [_parameter(name, rule.says, dict(rule.kind)) for name, rule in filters.items()]


class Search(SearchFilter):
    """Rows in which every word of `search` occurs; only on views that name `search_fields`."""

    def filter_queryset(self, request: Request, queryset: Any, view: "APIView") -> Any:
        """Return the rows in which every word occurs."""
        text = request.query_params.get("search", "")
        if "\x00" in text or len(text) > 200:
            raise BadQuery(_bad("search", text, "words, at most 200 characters"))
        fields = getattr(view, "search_fields", ())
        for word in self.get_search_terms(request) if fields else ():
            queryset = queryset.filter(anywhere(word, fields))
        return queryset

    def get_schema_operation_parameters(self, view: "APIView") -> list[dict[str, Any]]:
        """Return the parameter for the OpenAPI description."""
        fields = getattr(view, "search_fields", None)
        if not fields:
            return []
        return [_parameter("search", "words that occur in the row", {"type": "string"})]


class Ordering(BaseFilterBackend):
    """Orders a list by the fields that its view allows, and by the primary key at last."""

    def filter_queryset(self, request: Request, queryset: Any, view: "APIView") -> Any:
        """Return the rows in the order that was asked for, or in the view's own."""
        return queryset.order_by(*expressions(order_of(request, view), queryset.model))

    def get_schema_operation_parameters(self, view: "APIView") -> list[dict[str, Any]]:
        """Return the parameter for the OpenAPI description."""
        names = [sign + name for name in getattr(view, "orderings", {}) for sign in ("", "-")]
        each = {"type": "array", "items": {"type": "string", "enum": names}}
        parameter = _parameter("ordering", "fields, with - for the largest first", each)
        return [parameter | {"explode": False, "style": "form"}] if names else []


def order_of(request: Request, view: "APIView") -> tuple[str, ...]:
    """Return column paths, with - where the largest come first, ending in the primary key."""
    orderings: Mapping[str, str] = getattr(view, "orderings", {})
    asked = [name for name in request.query_params.get("ordering", "").split(",") if name]
    unknown = [name for name in asked if name.removeprefix("-") not in orderings]
    if unknown or len(asked) > len(orderings):
        accepted = "each at most once of " + ", ".join(orderings)
        raise BadQuery(_bad("ordering", ",".join(asked), accepted))
    order = [name[: name.startswith("-")] + orderings[name.removeprefix("-")] for name in asked]
    order = order or list(getattr(view, "order", ()))
    sign = "-" if order and order[-1].startswith("-") else ""
    named = {path.removeprefix("-") for path in order}
    return tuple(order) if "pk" in named else (*order, f"{sign}pk")


def expressions(
    order: Iterable[str], model: type[Model], *, backwards: bool = False
) -> list[OrderBy]:
    """Return the order as expressions; rows without a value come last (first, backwards)."""
    made = []
    for path in order:
        column, descending = path.removeprefix("-"), path.startswith("-") is not backwards
        nulls: dict[str, bool] = {}
        if is_nullable(model, column):
            nulls = {"nulls_first": True} if backwards else {"nulls_last": True}
        made.append(F(column).desc(**nulls) if descending else F(column).asc(**nulls))
    return made


def is_nullable(model: type[Model], path: str) -> bool:
    """Whether a column, or a relation on the way to it, may be empty."""
    if path == "pk":
        return False
    step, _, rest = path.partition("__")
    field = model._meta.get_field(step)
    empty = bool(getattr(field, "null", False)) or bool(field.auto_created)
    if not rest:
        return empty
    related = field.related_model
    return empty or (isinstance(related, type) and is_nullable(related, rest))


def _refuse_unknown(request: Request, view: "APIView", filters: Mapping[str, Filter]) -> None:
    searches = bool(getattr(view, "search_fields", None))
    known = {*filters, *RESERVED} - (set() if searches else {"search"})
    unknown = sorted(set(request.query_params) - known)
    if unknown:
        accepted = ", ".join(sorted(known))
        raise BadQuery(
            *(Problem(f"?.{name[:80]}", "Unknown parameter", accepted) for name in unknown[:20])
        )


def _clean(text: str) -> str:
    if "\x00" in text or len(text) > 200:
        raise ValueError
    return text


def _bad(name: str, text: str, accepted: str) -> Problem:
    return Problem(f"?.{name}", "This value is not understood", accepted, text[:80])


def _parameter(name: str, description: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {
        "name": name,
        "required": False,
        "in": "query",
        "description": description,
        "schema": schema,
    }
