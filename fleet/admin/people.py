"""The people who work for dealers: their accounts, with their roles."""

import functools
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import admin
from django.contrib.auth.admin import UserAdmin as DjangoUserAdmin
from django.contrib.auth.forms import UserChangeForm, UserCreationForm
from django.contrib.auth.models import Group
from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import HttpRequest, HttpResponse
from django.urls import path
from django_otp.plugins.otp_static.admin import StaticDevice
from django_otp.plugins.otp_totp.admin import TOTPDevice

from fleet import registry, second_factor
from fleet.admin.door import scope_in
from fleet.admin.refusals import RefusalForm
from fleet.admin.roles import MembershipInline, RoleFilter, may_grant, readable_roles
from fleet.admin.scoped import Scoped
from fleet.admin.tokens import revoke_page, tokens_page
from fleet.errors import Forbidden, Invalid, Problem
from fleet.models import Membership, User
from fleet.scope import Scope

if TYPE_CHECKING:
    ChangeForm = UserChangeForm[Any]
    CreationForm = UserCreationForm[Any]
    FormSet = forms.BaseInlineFormSet[Any, Any, Any]
else:
    ChangeForm = UserChangeForm
    CreationForm = UserCreationForm
    FormSet = forms.BaseInlineFormSet

for kept_out in (TOTPDevice, StaticDevice):  # secrets; what there is to do stands on our own pages
    admin.site.unregister(kept_out)
admin.site.unregister(Group)  # roles are memberships; Django's groups decide nothing here


def is_in_charge_of(scope: Scope, person: User) -> bool:
    """Whether the caller may edit this person's account: all their roles lie with the caller."""
    if scope.administers:
        return True
    held = list(person.memberships.all())
    return not person.is_superuser and bool(held) and all(may_grant(scope, row) for row in held)


class PersonForm(RefusalForm, ChangeForm):
    """An account."""


class NewPersonForm(RefusalForm, CreationForm):
    """A new account."""


@admin.register(User)
class UserAdmin(Scoped, DjangoUserAdmin):  # type: ignore[type-arg] # not subscriptable at run time
    """People who sign in, with their roles."""

    resource = "users"
    form = PersonForm
    add_form = NewPersonForm
    add_form_template = None
    inlines = (MembershipInline,)
    list_display = ("username", "full_name", "roles", "is_active", "last_login")
    list_filter = ("is_active", RoleFilter)
    search_fields = ("username", "first_name", "last_name", "email")
    filter_horizontal = ()
    readonly_fields = ("last_login", "date_joined", "second_factor_since")
    actions = ("remove_second_factor",)
    add_fieldsets = ((None, {"fields": ("username", "email", "password1", "password2")}),)

    def get_urls(self) -> list[Any]:
        """Add the page of one's own tokens."""
        door = self.admin_site.admin_view
        mine = functools.partial(tokens_page, self.admin_site)
        return [
            path("my-tokens/", door(mine), name="fleet_user_tokens"),
            path("my-tokens/<str:key>/revoke/", door(revoke_page), name="fleet_user_token_revoke"),
            *super().get_urls(),
        ]

    def get_fieldsets(self, request: HttpRequest, obj: Any = None) -> Any:
        """Offer what the caller may decide about an account."""
        if obj is None:
            return self.add_fieldsets
        doors = ["is_active", "is_staff"]
        if getattr(request.user, "is_superuser", False):
            doors.append("is_superuser")
        return (
            (None, {"fields": ("username", "password")}),
            ("Person", {"fields": ("first_name", "last_name", "email")}),
            ("Door", {"fields": (*doors, "second_factor_since", "last_login", "date_joined")}),
        )

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the people that the caller may see, each with the roles that are to be read."""
        told = readable_roles(scope_in(request)).select_related("dealer")
        # Apart from all roles: these decide whose account is whose to edit.
        roles = models.Prefetch("memberships", queryset=told, to_attr="told_roles")
        rows = super().get_queryset(request).prefetch_related("memberships", roles)
        return rows.distinct()

    @admin.display(description="name")
    def full_name(self, row: User) -> str:
        """Return first and last name."""
        return row.get_full_name()

    @admin.display(description="roles")
    def roles(self, row: Any) -> str:
        """Return what the person is, and where, as far as the caller may know."""
        parts = [
            f"{held.get_role_display()} {held.dealer.code if held.dealer else ''}".strip()
            for held in row.told_roles
        ]
        return ", ".join(parts)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whether the caller may edit this account."""
        allowed = super().has_change_permission(request, obj)
        return allowed and (obj is None or is_in_charge_of(scope_in(request), obj))

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Administrators delete accounts that signed nothing; not their own."""
        return scope_in(request).administers and (obj is None or obj.pk != request.user.pk)

    def has_reset_permission(self, request: HttpRequest) -> bool:
        """Administrators help who lost their authenticator."""
        return scope_in(request).administers

    @admin.action(description="Remove the second factor", permissions=["reset"])
    def remove_second_factor(self, request: HttpRequest, queryset: models.QuerySet[Any]) -> None:
        """Remove it, with recovery codes and tokens, from who has one."""
        chosen = list(queryset)
        having = [person for person in chosen if person.second_factor_since is not None]
        for person in having:
            second_factor.remove(person, by=scope_in(request))
        self.say(request, len(having), len(chosen) - len(having), "without a second factor now")

    def user_change_password(
        self,
        request: HttpRequest,
        id: str,  # noqa: A002 - Django's name
        form_url: str = "",
    ) -> HttpResponse:
        """Set a password, of those accounts only that the caller may edit."""
        self.visible_or_404(request, id)
        return super().user_change_password(request, id, form_url)

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: Any) -> None:
        """Store an account; a new one may come to the desk."""
        if not self._may(request, "edit" if change else "create"):
            raise PermissionDenied
        if not change:
            obj.is_staff = True
        registry.clean_and_save(obj, only=form.changed_data if change else None)

    def save_related(self, request: HttpRequest, form: Any, formsets: Any, change: Any) -> None:
        """Store the roles; an account that a manager makes belongs to one of their dealers."""
        super().save_related(request, form, formsets, change)
        person = form.instance
        if not scope_in(request).administers and not person.memberships.exists():
            raise Invalid(Problem("", "Give the person a role at one of your dealers"))

    def save_formset(self, request: HttpRequest, form: Any, formset: FormSet, change: Any) -> None:
        """Give, change and take roles that are the caller's."""
        scope = scope_in(request)
        rows = formset.save(commit=False)
        for row in (*rows, *formset.deleted_objects):
            before = Membership.objects.filter(pk=row.pk).first()
            if not may_grant(scope, row) or (before and not may_grant(scope, before)):
                raise Forbidden("One of these roles is not yours to give or take.")
        for row in formset.deleted_objects:
            row.delete()
        changed = {row.pk: names for row, names in formset.changed_objects}
        for row in rows:
            registry.clean_and_save(row, only=changed.get(row.pk))
