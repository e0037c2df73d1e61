"""Who did what, to look at: in words, with what the database wrote down one click away."""

import json
from collections.abc import Sequence
from typing import Any

from django.contrib import admin
from django.contrib.admin.views.main import ChangeList
from django.db import models
from django.http import HttpRequest
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from fleet.admin.change_words import NOTHING, Line, Trail, kind_of, model_of
from fleet.admin.door import scope_in, visible
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.scoped import ReadOnly
from fleet.models import Change, Erasure

MOST_LINES = 6


class ThingFilter(admin.SimpleListFilter):
    """By the kind of thing that was changed."""

    title = "thing"
    parameter_name = "table"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the kinds of which the caller sees changes."""
        rows = visible(Change, scope_in(request)).order_by()
        tables = rows.values_list("table", flat=True).distinct()
        named = [(table, model_of(table)) for table in tables]
        return sorted(
            ((table, kind_of(model) if model else table) for table, model in named),
            key=lambda choice: choice[1],
        )

    def queryset(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> models.QuerySet[Any]:
        """Return the changes of that kind of thing."""
        return queryset.filter(table=self.value()) if self.value() else queryset


class TrailList(ChangeList):
    """A page of changes: what they name is asked for once, for all of them."""

    def get_results(self, request: HttpRequest) -> None:
        """Read the page, and the names of what is on it."""
        super().get_results(request)
        self.result_list: Any = told(self.result_list, request)


def told(rows: Any, request: HttpRequest) -> list[Any]:
    """Return changes that know how to say themselves."""
    trail = Trail(rows, scope_in(request))
    for row in trail.rows:
        row.trail = trail  # type: ignore[attr-defined] # for the columns below
        row.thing = trail.thing(row)
    return list(trail.rows)


@admin.register(Change)
class ChangeAdmin(ReadOnly):
    """Every change of the register and the rules; triggers write them."""

    resource = "audit"
    list_display = ("at", "who", "via", "what", "thing", "said", "kept")
    list_filter = ("what", "via", ThingFilter, ("dealer", ScopedRelatedFilter))
    search_fields = (
        "sensor__serial", "machine__serial", "customer__search", "table", "row",
    )  # fmt: skip
    fields = (
        "at", "who", "via", "what", "thing", "all_said", "kept", "dealer", "customer", "machine",
        "sensor",
    )  # fmt: skip
    linked_by = ("customer", "machine", "sensor", "row")

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the changes, each with its actor's user name."""
        rows = super().get_queryset(request)
        named: models.QuerySet[Any] = rows.annotate(actor_name=models.F("actor__username"))
        return named

    def get_changelist(self, request: HttpRequest, **kwargs: Any) -> type[ChangeList]:
        """Return the list that knows the names of what is on its page."""
        return TrailList

    def get_object(self, request: HttpRequest, object_id: str, from_field: Any = None) -> Any:
        """Return a change that knows how to say itself."""
        row = super().get_object(request, object_id, from_field)
        return row and told([row], request)[0]

    @admin.display(description="who")
    def who(self, row: Change) -> str:
        """Return the user name; the system has none."""
        return getattr(row, "actor_name", "") or "system"

    @admin.display(description="thing")
    def thing(self, row: Change) -> str:
        """Return what was changed."""
        return row.thing

    @admin.display(description="field, from what to what")
    def said(self, row: Any) -> SafeString:
        """Return the first of the fields that were changed."""
        lines = row.trail.lines(row)
        return _listed(row, lines[:MOST_LINES], len(lines) - MOST_LINES)

    @admin.display(description="field, from what to what")
    def all_said(self, row: Any) -> SafeString:
        """Return every field that was changed."""
        return _listed(row, row.trail.lines(row), 0)

    @admin.display(description="as it is kept")
    def kept(self, row: Change) -> SafeString:
        """Return what the database wrote down, folded."""
        written = {
            "table": row.table, "row": row.row, "before": row.before, "after": row.after,
        }  # fmt: skip
        text = json.dumps(written, ensure_ascii=False, indent=1)
        return format_html(
            '<details class="kept"><summary>JSON</summary><pre>{}</pre></details>', text
        )


def _listed(row: Change, lines: Sequence[Line], more: int) -> SafeString:
    changed = row.what == Change.What.UPDATE
    entered = row.what == Change.What.INSERT
    said = (
        (
            line["field"],
            f"from {line['from']} to {line['to']}"
            if changed
            else line["to" if entered else "from"],
        )
        for line in lines
    )
    items = format_html_join("", "<li><strong>{}</strong>: {}</li>", said)
    rest = format_html("<li>and {} more</li>", more) if more > 0 else ""
    return format_html('<ul class="said">{}{}</ul>', items, rest)


@admin.register(Erasure)
class ErasureAdmin(ReadOnly):
    """Personal data that was erased; itself without any."""

    resource = "audit"
    list_display = ("erased_at", "customer", "erased_by", "how_much")
    list_select_related = ("customer", "erased_by")
    list_filter = (("dealer", ScopedRelatedFilter),)
    fields = ("erased_at", "dealer", "customer", "erased_by", "how_much")

    @admin.display(description="in how many rows")
    def how_much(self, row: Erasure) -> str:
        """Return how many rows of each kind it was erased from."""
        return ", ".join(f"{kind}: {count}" for kind, count in row.counts.items()) or NOTHING
