"""List filters whose choices come from visible rows only."""

from typing import Any, ClassVar

from django.contrib import admin
from django.db import models
from django.http import HttpRequest

from fleet.admin.door import scope_in, visible


class ScopedRelatedFilter(admin.RelatedFieldListFilter):
    """A list filter whose choices are rows that the caller may see."""

    most = 200

    def field_choices(
        self,
        field: Any,
        request: HttpRequest,
        model_admin: "admin.ModelAdmin[Any]",
    ) -> list[Any]:
        """Return the choices, in the order of their table."""
        rows = visible(field.remote_field.model, scope_in(request))[: self.most]
        return [(row.pk, str(row)) for row in rows]


class ValuesFilter(admin.SimpleListFilter):
    """A list filter by the values that occur in the visible rows (a lot, a season)."""

    path: ClassVar[str]
    most: ClassVar[int] = 60

    def lookups(
        self, request: HttpRequest, model_admin: "admin.ModelAdmin[Any]"
    ) -> list[tuple[str, str]]:
        """Return the values that occur, newest first."""
        rows = visible(model_admin.model, scope_in(request)).exclude(
            **{f"{self.path}__isnull": True}
        )
        found = rows.order_by(f"-{self.path}").values_list(self.path, flat=True).distinct()
        return [(str(value), str(value)) for value in found[: self.most] if value != ""]

    def queryset(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> models.QuerySet[Any]:
        """Return the rows that have the chosen value."""
        chosen = self.value()
        return queryset if chosen is None else queryset.filter(**{self.path: chosen})
