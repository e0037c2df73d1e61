"""Pages by keyset: a page starts after a row, not after a count, however deep it lies."""

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db.models import Field, Model, Q
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import replace_query_param

from api.errors import BadQuery
from api.filters import expressions, is_nullable, order_of
from fleet.errors import Problem

if TYPE_CHECKING:  # the framework's views import us
    from rest_framework.views import APIView

LARGEST_PAGE = 500
USUAL_PAGE = 50


@dataclass(frozen=True)
class Cursor:
    """Where a page begins: after (or, backwards, before) the row with these values.

    Or, including it, with that row: it is on no page yet.
    """

    order: tuple[str, ...]
    values: tuple[Any, ...]
    backwards: bool
    including: bool = False

    def text(self) -> str:
        """Return the cursor as it stands in an address."""
        values = [_plain(value) for value in self.values]
        said = [self.order, values, self.backwards, *([True] if self.including else [])]
        return base64.urlsafe_b64encode(json.dumps(said).encode()).decode().rstrip("=")


class Pages(BasePagination):
    """`{"next", "previous", "results"}`, each address holding the row to go on from."""

    def paginate_queryset(
        self, queryset: Any, request: Request, view: "APIView | None" = None
    ) -> list[Any]:
        """Return the rows of the page that the address asks for."""
        assert view is not None
        self.request, self.order = request, order_of(request, view)
        self.size = _page_size(request)
        self.cursor = _read_cursor(request, self.order, queryset.model)
        backwards = self.cursor is not None and self.cursor.backwards
        if self.cursor is not None:
            queryset = queryset.filter(_beyond(self.cursor, queryset.model))
        ordered = queryset.order_by(*expressions(self.order, queryset.model, backwards=backwards))
        rows = list(ordered[: self.size + 1])
        more, rows = len(rows) > self.size, rows[: self.size]
        self.rows = rows[::-1] if backwards else rows
        self.more_after = more if not backwards else True
        self.more_before = more if backwards else self.cursor is not None
        return self.rows

    def get_paginated_response(self, data: Any) -> Response:
        """Return the answer."""
        return Response(
            {
                "next": self._address(-1, backwards=False) if self.more_after else None,
                "previous": self._address(0, backwards=True) if self.more_before else None,
                "results": data,
            }
        )

    def _address(self, index: int, *, backwards: bool) -> str | None:
        """Return the address of the page after the last, or before the first, row of this one.

        An empty page has no rows; it leads to the row that it was asked to go on from.
        """
        here = self.request.build_absolute_uri()
        if self.rows:
            values = tuple(_value(self.rows[index], path) for path in self.order)
            cursor = Cursor(self.order, values, backwards)
        elif self.cursor is not None:
            cursor = replace(self.cursor, backwards=backwards, including=True)
        else:
            return None
        return replace_query_param(here, "cursor", cursor.text())

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        """Return the answer's schema."""
        link = {"type": ["string", "null"], "format": "uri"}
        return {
            "type": "object",
            "required": ["next", "previous", "results"],
            "properties": {"next": link, "previous": link, "results": schema},
        }

    def get_schema_operation_parameters(self, view: "APIView") -> list[dict[str, Any]]:
        """Return the parameters for the OpenAPI description."""
        size = {"type": "integer", "minimum": 1, "maximum": LARGEST_PAGE, "default": USUAL_PAGE}
        return [
            {
                "name": "cursor",
                "required": False,
                "in": "query",
                "schema": {"type": "string"},
                "description": "taken from `next` or `previous`",
            },
            {
                "name": "page_size",
                "required": False,
                "in": "query",
                "schema": size,
                "description": f"rows on a page, {LARGEST_PAGE} at most",
            },
        ]


def _page_size(request: Request) -> int:
    text = request.query_params.get("page_size", str(USUAL_PAGE))
    if text.isascii() and text.isdigit() and len(text) < 5 and 1 <= int(text) <= LARGEST_PAGE:
        return int(text)
    accepted = f"a whole number from 1 to {LARGEST_PAGE}"
    raise BadQuery(Problem("?.page_size", "This page size cannot be", accepted, text[:40]))


def _beyond(cursor: Cursor, model: type[Model]) -> Q:
    """Return the condition of rows after the cursor's: by the first value, then the next ...

    The first value's own condition is said once more outside, so that an index on it serves.
    """
    condition, same = Q(), Q()
    for path, value in zip(cursor.order, cursor.values, strict=True):
        column = path.removeprefix("-")
        upwards = path.startswith("-") is cursor.backwards
        after = _after(model, column, value, upwards=upwards, backwards=cursor.backwards)
        if after is not None:
            condition |= same & after
        same &= Q(**{f"{column}__isnull": True}) if value is None else Q(**{column: value})
    if cursor.including:
        condition |= same
    first, value = cursor.order[0], cursor.values[0]
    column = first.removeprefix("-")
    if len(cursor.order) == 1 or is_nullable(model, column):
        return condition
    lookup = "gte" if first.startswith("-") is cursor.backwards else "lte"
    return Q(**{f"{column}__{lookup}": value}) & condition


def _after(
    model: type[Model], column: str, value: Any, *, upwards: bool, backwards: bool
) -> Q | None:
    """Return the condition that a column lies beyond a value; None where nothing does.

    Empty values come last, so nothing follows them, and going backwards everything does.
    """
    if value is None:
        return Q(**{f"{column}__isnull": False}) if backwards else None
    after = Q(**{f"{column}__{'gt' if upwards else 'lt'}": value})
    if is_nullable(model, column) and not backwards:
        after |= Q(**{f"{column}__isnull": True})
    return after


def _value(row: Any, path: str) -> Any:
    name = path.removeprefix("-")
    if isinstance(row, dict):  # of `values()`
        return row[name]
    for step in name.split("__"):
        row = getattr(row, step, None)
    return row


def _plain(value: Any) -> Any:
    if isinstance(value, datetime | date):
        return value.isoformat()
    return str(value) if isinstance(value, UUID) else value


_UNREADABLE = (
    ValueError, TypeError, binascii.Error, ValidationError, OverflowError, RecursionError,
)  # fmt: skip


def _read_cursor(request: Request, order: Sequence[str], model: type[Model]) -> Cursor | None:
    """Return the cursor of the address; refuse one that was not made for this list."""
    text = request.query_params.get("cursor")
    if text is None:
        return None
    try:
        return _cursor(text, order, model)
    except _UNREADABLE:
        accepted = "the cursor of a `next` or `previous` address of the same list"
        problem = Problem("?.cursor", "Not a cursor of this list", accepted)
        raise BadQuery(problem) from None


def _cursor(text: str, order: Sequence[str], model: type[Model]) -> Cursor:
    """Return what a cursor says; raise ValueError and its like where it says nothing here."""
    said = json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    given, values, backwards, *including = said
    if given != list(order) or not isinstance(backwards, bool):
        raise ValueError
    if len(including) > 1 or any(each is not True for each in including):
        raise ValueError
    pairs = zip(order, values, strict=True)
    read = tuple(_restored(value, path.removeprefix("-"), model) for path, value in pairs)
    return Cursor(tuple(order), read, backwards, including=bool(including))


def _restored(value: Any, path: str, model: type[Model]) -> Any:
    """Return a value of the cursor in its column's type."""
    if value is None:
        if not is_nullable(model, path):
            raise ValueError
        return None
    if isinstance(value, str) and "\x00" in value:
        raise ValueError
    restored = _field(model, path).to_python(value)
    if isinstance(restored, datetime) and restored.tzinfo is None:
        raise ValueError
    return restored


def _field(model: type[Model], path: str) -> Field[Any, Any]:
    *steps, last = path.removeprefix("-").split("__")
    for step in steps:
        related = model._meta.get_field(step).related_model
        assert isinstance(related, type)
        model = related
    field = model._meta.pk if last == "pk" else model._meta.get_field(last)
    assert isinstance(field, Field)
    return field
