"""Who did what, to look at."""

import json
from typing import Any

from django.contrib import admin
from django.db import models
from django.http import HttpRequest

from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.scoped import ReadOnly
from fleet.models import Change, Erasure

SHOWN = 160


@admin.register(Change)
class ChangeAdmin(ReadOnly):
    """Every change of the register and the rules; triggers write them."""

    resource = "audit"
    list_display = ("at", "who", "via", "what", "table", "row", "from_what", "to_what")
    list_filter = ("what", "via", "table", ("dealer", ScopedRelatedFilter))
    search_fields = ("table", "row")
    fields = (
        "at", "who", "via", "what", "table", "row", "before", "after", "dealer", "customer",
        "machine", "sensor",
    )  # fmt: skip
    linked_by = ("customer", "machine", "sensor", "row")

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the changes, each with its actor's user name."""
        rows = super().get_queryset(request)
        named: models.QuerySet[Any] = rows.annotate(actor_name=models.F("actor__username"))
        return named

    @admin.display(description="who")
    def who(self, row: Change) -> str:
        """Return the user name; the system has none."""
        return getattr(row, "actor_name", "") or "system"

    @admin.display(description="from")
    def from_what(self, row: Change) -> str:
        """Return what was there, shortened."""
        return _short(row.before)

    @admin.display(description="to")
    def to_what(self, row: Change) -> str:
        """Return what is there since, shortened."""
        return _short(row.after)


@admin.register(Erasure)
class ErasureAdmin(ReadOnly):
    """Personal data that was erased; itself without any."""

    resource = "audit"
    list_display = ("erased_at", "customer", "erased_by", "counts")
    list_select_related = ("customer", "erased_by")
    list_filter = (("dealer", ScopedRelatedFilter),)
    fields = ("erased_at", "dealer", "customer", "erased_by", "counts")


def _short(image: Any) -> str:
    text = json.dumps(image, ensure_ascii=False) if image else ""
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}..."
