"""What every page of the desk has in common: whose rows, which verbs, which errors.

One mixin. Rows come from `visible_to(scope)`, verbs from `access.may`, choices of foreign keys,
filters and autocompletion are limited to visible rows, another dealer's row answers like one that
does not exist, and a service's refusal is shown at its field instead of ending in an error page.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

from django import forms
from django.contrib import admin, messages
from django.contrib.admin.utils import display_for_field
from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import reverse
from django.utils.text import capfirst
from django.utils.translation import ngettext

from fleet import access, registry
from fleet.admin.door import dealer_of, scope_in, visible
from fleet.admin.refusals import ModelForm, RefusalForm
from fleet.errors import DomainError, Forbidden
from fleet.models.folded import anywhere

if TYPE_CHECKING:
    ModelAdmin = admin.ModelAdmin[Any]
else:
    ModelAdmin = admin.ModelAdmin

_REFUSAL = "spanbook.refusal"
_ROWS = "spanbook.rows"
_COMPARISONS = ("exact", "isnull", "isempty", "gte", "lt", "year", "month", "day", "in")


def refused(request: HttpRequest) -> DomainError | None:
    """Return what a service refused in this request, while its form is shown again."""
    found: DomainError | None = request.META.get(_REFUSAL)
    return found


class Scoped(ModelAdmin):
    """The one base of every page of the desk."""

    resource: ClassVar[str]
    labels: ClassVar[Mapping[str, str]] = {}  # what a person calls a column, where that differs
    linked_by: ClassVar[tuple[str, ...]] = ()  # columns that our own links filter a list by
    form = RefusalForm
    list_per_page = 50
    list_max_show_all = 200
    show_full_result_count = False
    save_on_top = False
    view_on_site = False

    # ── whose rows ──
    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the rows that the caller may see, in the page's order."""
        rows = visible(self.model, scope_in(request))
        if isinstance(self.list_select_related, tuple) and self.list_select_related:
            rows = rows.select_related(*self.list_select_related)
        # Said aloud: a query that counts forgets the order that the table declares.
        return rows.order_by(*(self.get_ordering(request) or self.opts.ordering or ("-pk",)))

    def get_object(self, request: HttpRequest, object_id: str, from_field: Any = None) -> Any:
        """Return a visible row or None; a page that is only read asks the database once."""
        if request.method != "GET" or from_field:
            return super().get_object(request, object_id, from_field)
        kept = request.META.setdefault(_ROWS, {})
        key = (self.model, object_id)
        if key not in kept:
            kept[key] = super().get_object(request, object_id)
        return kept[key]

    def formfield_for_foreignkey(
        self, db_field: models.ForeignKey[Any, Any], request: HttpRequest, **kwargs: Any
    ) -> "forms.ModelChoiceField[Any] | None":
        """Offer and accept visible rows only."""
        scope = scope_in(request)
        rows = visible(db_field.remote_field.model, scope)
        if db_field.name == "dealer" and not scope.administers:
            mine = [pk for pk in scope.dealers if access.may(scope, "create", self.resource, pk)]
            rows = rows.filter(pk__in=mine)
        kwargs["queryset"] = rows
        return super().formfield_for_foreignkey(db_field, request, **kwargs)

    def lookup_allowed(self, lookup: str, value: str, request: HttpRequest) -> bool:
        """Allow what the page itself offers as a filter, nothing that could probe a column."""
        filters = [f[0] if isinstance(f, tuple) else f for f in self.get_list_filter(request)]
        names = {getattr(item, "parameter_name", item) for item in filters}
        names |= {"id", "pk", self.date_hierarchy or "pk", *self.linked_by}
        base, _, last = lookup.rpartition("__")
        path = base if last in _COMPARISONS else lookup
        return path in names or path.removesuffix("__id") in names

    def get_search_results(
        self, request: HttpRequest, queryset: models.QuerySet[Any], search_term: str
    ) -> tuple[models.QuerySet[Any], bool]:
        """Return the rows in which every word stands somewhere, in capitals or not."""
        fields = self.get_search_fields(request)
        for word in search_term.split() if fields else ():
            queryset = queryset.filter(anywhere(word, fields))
        return queryset, False

    # ── which verbs ──
    def _may(self, request: HttpRequest, verb: str, row: models.Model | None = None) -> bool:
        scope, dealer = scope_in(request), dealer_of(row)
        shared = (
            row is not None and dealer is None and getattr(row, "shared_without_dealer", False)
        )
        if shared and verb != "read" and not scope.administers:
            return False  # what holds for every dealer is no single dealer's to change
        return access.may(scope, verb, self.resource, dealer)

    def has_module_permission(self, request: HttpRequest) -> bool:
        """Whether the page stands in the list of places."""
        return self._may(request, "read")

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether the caller may read this row."""
        return self._may(request, "read", obj)

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Whether the caller may create rows somewhere."""
        return self._may(request, "create")

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether the caller may edit this row."""
        return self._may(request, "edit", obj)

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether the caller may remove this row; for most tables nobody may."""
        return self._may(request, "remove", obj)

    def has_decide_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether the caller may acknowledge, close or commit."""
        return self._may(request, "decide", obj)

    # ── absent and forbidden answer alike ──
    def _get_obj_does_not_exist_redirect(
        self, request: HttpRequest, opts: Any, object_id: str
    ) -> HttpResponse:
        raise Http404("No such row.")

    def visible_or_404(self, request: HttpRequest, object_id: str, verb: str = "read") -> Any:
        """Return a row for a page of our own, or answer as if there were none."""
        if not self._may(request, verb):
            raise PermissionDenied
        row = self.get_object(request, object_id)
        if row is None:
            raise Http404("No such row.")
        if not self._may(request, verb, row):
            raise PermissionDenied
        return row

    def looked_at(self, request: HttpRequest, object_id: str) -> Any:
        """Return the row of a page that is only looked at: nothing can be sent to it."""
        row = self.visible_or_404(request, object_id)
        if request.method not in {"GET", "HEAD"}:
            raise PermissionDenied
        return row

    def history_view(
        self, request: HttpRequest, object_id: str, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        """Lead to the changes of a row, as far as the caller may see them."""
        row = self.visible_or_404(request, object_id)
        if not access.may(scope_in(request), "read", "audit"):
            raise PermissionDenied
        by = {"fleet_customer": "customer", "fleet_machine": "machine", "fleet_sensor": "sensor"}
        table = row._meta.db_table
        about = {"table": table, "row": row.pk}
        asked = {f"{by[table]}__id": row.pk} if table in by else about
        changes = reverse("admin:fleet_change_changelist", query=asked)
        return HttpResponseRedirect(changes)

    # ── what a person calls a column ──
    def get_list_display(self, request: HttpRequest) -> Any:
        """Return the columns of the list, under the names that the form has."""
        columns: list[Any] = list(super().get_list_display(request))
        return [self._columns.get(name, name) for name in columns]

    @cached_property
    def _columns(self) -> Mapping[str, Callable[[models.Model], str]]:
        """The columns with a name of their own; always the same, or Django would not sort them."""
        return {name: self._column(name) for name in self.labels}

    def _column(self, name: str) -> Callable[[models.Model], str]:
        field: Any = self.opts.get_field(name)

        def shown(row: models.Model) -> str:
            return str(display_for_field(getattr(row, name), field, ""))

        shown.__name__ = name
        return admin.display(description=self.labels[name], ordering=name)(shown)

    # ── saving goes through services ──
    def get_form(
        self, request: HttpRequest, obj: Any = None, *args: Any, **kwargs: Any
    ) -> type[ModelForm]:
        """Return the form, which knows what a service refused in this request.

        The labels are the form's, so that they also stand where the caller may only read.
        """
        if self.labels:
            kwargs["labels"] = self.labels
        form = super().get_form(request, obj, *args, **kwargs)
        refusal = refused(request)
        return type(form.__name__, (form,), {"refusal": refusal}) if refusal else form

    def changeform_view(
        self,
        request: HttpRequest,
        object_id: str | None = None,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """Serve the form; where a service refuses, serve it again with the reasons in it."""
        name = str(self.opts.verbose_name)
        context = {
            "title": capfirst(name if object_id else f"new {name}"),
            "sees_history": access.may(scope_in(request), "read", "audit"),
            **(extra_context or {}),
        }
        try:
            return super().changeform_view(request, object_id, form_url, context)
        except DomainError as refusal:
            request.META[_REFUSAL] = refusal
            return super().changeform_view(request, object_id, form_url, context)

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: Any) -> None:
        """Save through the register's services, after asking whether the caller may."""
        verb = "edit" if change else "create"
        if not self._may(request, verb, obj):
            raise Forbidden("Your role does not allow this at that dealer.")
        if change:
            changes = {name: form.cleaned_data[name] for name in form.changed_data}
            stored = visible(self.model, scope_in(request)).get(pk=obj.pk)
            self.store_changes(request, stored, changes)
        else:
            stored = self.store_new(request, obj)
            obj.pk = stored.pk
        self.after_save(request, obj, form.changed_data if change else None)

    def store_new(self, request: HttpRequest, row: Any) -> Any:
        """Store a new row."""
        return registry.clean_and_save(row)

    def store_changes(self, request: HttpRequest, row: Any, changes: dict[str, Any]) -> Any:
        """Store the fields of a row that were changed."""
        return registry.edit(row, scope=scope_in(request), **changes)

    def after_save(self, request: HttpRequest, row: Any, changed: Sequence[str] | None) -> None:
        """Do what follows from a stored row; None: it is new."""

    # ── what a person reads ──
    def say(self, request: HttpRequest, done: int, skipped: int, what: str) -> None:
        """Say how many rows an action touched and how many it left alone."""
        if done:
            row = ngettext("%d row", "%d rows", done) % done
            self.message_user(request, f"{row} {what}.", messages.SUCCESS)
        if skipped:
            row = ngettext("%d row", "%d rows", skipped) % skipped
            self.message_user(request, f"{row} left as they were.", messages.WARNING)


class ReadOnly(Scoped):
    """A page to look at: rows that the program itself writes."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Nobody adds them by hand."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nobody edits them by hand."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nobody deletes them by hand."""
        return False
