"""What people are and where: their roles, as far as the caller may read them."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import admin
from django.contrib.admin.options import BaseModelAdmin
from django.db import models
from django.http import HttpRequest

from fleet import access
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.scoped import Scoped
from fleet.errors import Forbidden
from fleet.models import DEALER_ROLES, Dealer, Membership, Role
from fleet.scope import Scope

if TYPE_CHECKING:
    TabularInline = admin.TabularInline[Any, Any]
    FormSet = forms.BaseInlineFormSet[Any, Any, Any]
    ModelAdminBase = BaseModelAdmin[Any]
else:
    TabularInline = admin.TabularInline
    FormSet = forms.BaseInlineFormSet
    ModelAdminBase = BaseModelAdmin


def readable_roles(scope: Scope) -> models.QuerySet[Membership]:
    """Return the roles that the caller may read.

    A technician here who manages there reads those there only.
    """
    rows: models.QuerySet[Membership] = Membership.objects.visible_to(
        replace(scope, serves=frozenset())
    )
    return rows


class RoleFilter(admin.SimpleListFilter):
    """People by a role that the caller may read."""

    title = "role"
    parameter_name = "role"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the roles that there are to read."""
        scope = scope_in(request)
        return [
            (str(role), str(role.label))
            for role in Role
            if scope.administers or role in DEALER_ROLES
        ]

    def queryset(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> models.QuerySet[Any]:
        """Return the people who have the chosen role where the caller may know it."""
        if self.value() is None:
            return queryset
        held = readable_roles(scope_in(request)).filter(role=self.value())
        return queryset.filter(pk__in=held.values("user"))


def may_grant(scope: Scope, membership: Membership) -> bool:
    """Whether the caller may give or take this role; across dealers, administrators only."""
    if membership.dealer_id is None or membership.role not in DEALER_ROLES:
        return scope.administers
    return access.may(scope, "create", "memberships", membership.dealer_id)


class OwnToGive(ModelAdminBase):
    """Forms that offer the roles which the caller may give."""

    def formfield_for_choice_field(
        self, db_field: Any, request: HttpRequest, **kwargs: Any
    ) -> Any:
        """Leave out the roles across dealers, which are an administrator's to give."""
        field: Any = super().formfield_for_choice_field(db_field, request, **kwargs)
        if not scope_in(request).administers:
            ours = ((role, Role(role).label) for role in DEALER_ROLES)
            field.choices = [("", "---------"), *ours]
        return field


class RoleForms(FormSet):
    """The rows of a person's roles; each field says what it is, where the column's head cannot."""

    def add_fields(self, form: Any, index: int | None) -> None:
        """Name the fields of one row."""
        super().add_fields(form, index)
        for name, field in form.fields.items():
            inner = getattr(field.widget, "widget", field.widget)  # of a wrapped choice
            inner.attrs["aria-label"] = str(field.label or name)


class MembershipInline(OwnToGive, TabularInline):
    """A person's roles; the caller sees and edits those that are theirs to give."""

    model = Membership
    formset = RoleForms
    extra = 1
    fields = ("dealer", "role")
    verbose_name = "role"
    verbose_name_plural = "roles"

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Membership]:
        """Return the roles at the caller's dealers."""
        return readable_roles(scope_in(request)).select_related("dealer", "user")

    def formfield_for_foreignkey(
        self, db_field: models.ForeignKey[Any, Any], request: HttpRequest, **kwargs: Any
    ) -> "forms.ModelChoiceField[Any] | None":
        """Offer the dealers at which the caller may give roles."""
        if db_field.name == "dealer":
            kwargs["queryset"] = _grantable(scope_in(request))
        return super().formfield_for_foreignkey(db_field, request, **kwargs)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether the roles are shown."""
        return access.may(scope_in(request), "read", "memberships")

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether roles may be given here."""
        return access.may(scope_in(request), "create", "memberships")

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether roles may be changed here; each one is asked again when it is stored."""
        return access.may(scope_in(request), "edit", "memberships")

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether roles may be taken here."""
        return access.may(scope_in(request), "remove", "memberships")


def _grantable(scope: Scope) -> models.QuerySet[Dealer]:
    rows: models.QuerySet[Dealer] = Dealer.objects.visible_to(scope)
    return rows if scope.administers else rows.filter(pk__in=scope.manages)


@admin.register(Membership)
class MembershipAdmin(OwnToGive, Scoped):
    """Who is what, where."""

    resource = "memberships"
    list_display = ("user", "role", "dealer")
    list_select_related = ("user", "dealer")
    list_filter = ("role", ("dealer", ScopedRelatedFilter))
    search_fields = ("user__username", "dealer__name")
    autocomplete_fields = ("user",)
    fieldsets = (
        (None, {"fields": ("user", "dealer", "role")}),
        (
            "A technician's days, for the plan",
            {"fields": ("hours_per_day", "working_days", "latitude", "longitude")},
        ),
    )

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the roles that the caller may read."""
        told = readable_roles(scope_in(request)).values("pk")
        return super().get_queryset(request).filter(pk__in=told)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether the caller may change this role."""
        return super().has_change_permission(request, obj) and (
            obj is None or may_grant(scope_in(request), obj)
        )

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: Any) -> None:
        """Give a role that is the caller's to give."""
        if not may_grant(scope_in(request), obj):
            raise Forbidden("This role is not yours to give.")
        super().save_model(request, obj, form, change)
