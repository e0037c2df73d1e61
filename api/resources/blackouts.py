"""Days on which a customer cannot be visited; the plan keeps them free."""

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Day, Filter
from api.fields import Day as DayInput
from api.fields import Text
from api.inputs import Input
from api.refs import beside, ref, ref_filter
from api.registers import Register
from fleet.models import Blackout, Customer, Dealer


class BlackoutInput(Input):
    """When a customer cannot be visited, both days included."""

    echoed = ("id", "dealer", "dealer_code")

    customer = ref(Customer, "dealer")
    first_day = DayInput()
    last_day = DayInput()
    reason = Text(required=False, allow_blank=True, max_length=120)


class BlackoutSerializer(serializers.ModelSerializer[Blackout]):
    """Such days as the answer shows them."""

    customer_name = beside("customer.name")
    dealer = serializers.IntegerField(source="customer.dealer_id", read_only=True)
    dealer_code = beside("customer.dealer.code")

    class Meta:
        model = Blackout
        fields = (
            "id", "customer", "customer_name", "dealer", "dealer_code", "first_day", "last_day",
            "reason",
        )  # fmt: skip


class BlackoutViews(Register):
    """Such days of the customers of the caller's dealers."""

    resource = "blackouts"
    model = Blackout
    related = ("customer__dealer",)
    input = BlackoutInput
    serializer_class = BlackoutSerializer
    filters = {
        "customer": ref_filter("customer", Customer),
        "customer_name": Filter("customer__name"),
        "dealer": ref_filter("customer__dealer", Dealer),
        "ends_after": Day("last_day__gte"),
        "starts_before": Day("first_day__lt"),
    }
    search_fields = ("customer__name", "reason")
    orderings = {"first_day": "first_day", "customer_name": "customer__name", "id": "pk"}
    order = ("first_day",)
    fixed = {"customer": "the customer as it is; remove this and enter another"}

    def destroy(self, request: Request, pk: str) -> Response:
        """Remove such days."""
        self.get_object().delete()
        return Response(status=204)
