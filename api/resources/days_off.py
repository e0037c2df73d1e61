"""Technicians' days off; the plan gives them no visit then."""

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Day
from api.fields import Day as DayInput
from api.fields import Text
from api.inputs import Input
from api.refs import beside, ref, ref_filter
from api.registers import Register
from fleet.models import DayOff, Dealer, Membership, User


class DayOffInput(Input):
    """Who is off from when to when, both days included."""

    echoed = ("id", "user", "user_username", "dealer", "dealer_code")

    membership = ref(Membership, "dealer")
    first_day = DayInput()
    last_day = DayInput()
    reason = Text(required=False, allow_blank=True, max_length=120)


class DayOffSerializer(serializers.ModelSerializer[DayOff]):
    """Days off as the answer shows them."""

    user = serializers.IntegerField(source="membership.user_id", read_only=True)
    user_username = beside("membership.user.username")
    dealer = serializers.IntegerField(source="membership.dealer_id", read_only=True)
    dealer_code = beside("membership.dealer.code", nullable=True)

    class Meta:
        model = DayOff
        fields = (
            "id", "membership", "user", "user_username", "dealer", "dealer_code", "first_day",
            "last_day", "reason",
        )  # fmt: skip


class DayOffViews(Register):
    """Days off at the caller's dealers."""

    resource = "days-off"
    model = DayOff
    related = ("membership__user", "membership__dealer")
    input = DayOffInput
    serializer_class = DayOffSerializer
    filters = {
        "dealer": ref_filter("membership__dealer", Dealer),
        "user": ref_filter("membership__user", User),
        "ends_after": Day("last_day__gte"),
        "starts_before": Day("first_day__lt"),
    }
    orderings = {"first_day": "first_day", "id": "pk"}
    order = ("first_day",)
    fixed = {"membership": "the person as it is; remove this and enter another"}

    def destroy(self, request: Request, pk: str) -> Response:
        """Remove days off."""
        self.get_object().delete()
        return Response(status=204)
