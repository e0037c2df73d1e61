"""Memberships: what a person is, at a dealer or across all of them."""

from typing import Any

from django.db.models import Model
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Filter, OneOf
from api.fields import Number, Text
from api.inputs import Input
from api.refs import beside, ref, ref_filter
from api.registers import Register
from fleet.errors import Invalid, Problem
from fleet.models import DEALER_ROLES, Dealer, Membership, Role, User


class MembershipInput(Input):
    """Who is what, where; reviewers and administrators at no dealer."""

    echoed = ("id",)

    user = ref(User)
    dealer = ref(Dealer, required=False, allow_null=True)
    role = serializers.ChoiceField(choices=Role.choices)
    hours_per_day = Number(
        required=False, min_value=0, max_value=16, help_text="A technician's, drives included."
    )
    working_days = Text(
        required=False,
        allow_blank=True,
        max_length=7,
        help_text="Days of the week in order, 1 for Monday to 7; empty: the country's.",
    )
    latitude = Number(required=False, allow_null=True, min_value=-90, max_value=90)
    longitude = Number(required=False, allow_null=True, min_value=-180, max_value=180)


class MembershipSerializer(serializers.ModelSerializer[Membership]):
    """A membership as the answer shows it."""

    user_username = beside("user.username")
    dealer_code = beside("dealer.code", nullable=True)
    working_days = serializers.CharField(read_only=True)

    class Meta:
        model = Membership
        fields = (
            "id", "user", "user_username", "dealer", "dealer_code", "role", "hours_per_day",
            "working_days", "latitude", "longitude",
        )  # fmt: skip


class MembershipViews(Register):
    """Memberships of the caller's dealers; for administrators, all."""

    resource = "memberships"
    model = Membership
    related = ("user", "dealer")
    input = MembershipInput
    serializer_class = MembershipSerializer
    filters = {
        "user": ref_filter("user", User),
        "dealer": ref_filter("dealer", Dealer),
        "dealer_code": Filter("dealer__code"),
        "role": OneOf("role", tuple(Role.values)),
    }
    search_fields = ("user__username", "dealer__code")
    orderings = {"id": "pk", "role": "role", "user_username": "user__username"}
    order = ("pk",)
    fixed = {
        "user": "the person as it is; remove this and enter another",
        "dealer": "the dealer as it is; remove this and enter another",
    }

    def enter(self, values: dict[str, Any]) -> Membership:
        """Make a person a member."""
        _fit(values["role"], values.get("dealer"))
        row: Membership = super().enter(values)
        return row

    def change(self, row: Membership, values: dict[str, Any]) -> Membership:
        """Change the role."""
        _fit(values.get("role", row.role), row.dealer)
        changed: Membership = super().change(row, values)
        return changed

    def destroy(self, request: Request, pk: str) -> Response:
        """Remove a membership."""
        self.get_object().delete()
        return Response(status=204)


def _fit(role: str, dealer: Model | None) -> None:
    """Refuse a role that does not go with a dealer, or with none."""
    if (role in DEALER_ROLES) is (dealer is not None):
        return
    accepted = "a dealer" if role in DEALER_ROLES else "no dealer"
    raise Invalid(Problem("dealer", f"The role {role} goes with {accepted}", accepted))
