"""E-mails that were made: digests to dealers, notes to customers; what waits, and why."""

from rest_framework import serializers

from api.conditions import Day, Whether
from api.refs import beside, ref_filter
from api.registers import Resource
from calibration.models import CustomerNote, Digest
from fleet.models import Customer, Dealer

STATE = (
    "recipients", "subject", "body", "attempts", "claimed_until", "sent_at", "last_error",
)  # fmt: skip


class DigestSerializer(serializers.ModelSerializer[Digest]):
    """What a dealer is told on one day."""

    dealer_code = beside("dealer.code")
    recipients = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = Digest
        fields = ("id", "dealer", "dealer_code", "day", *STATE)


class DigestViews(Resource):
    """Digests; the backlog is `waiting=true`."""

    resource = "digests"
    model = Digest
    related = ("dealer",)
    serializer_class = DigestSerializer
    filters = {
        "dealer": ref_filter("dealer", Dealer),
        "waiting": Whether("sent_at__isnull"),
        "day_after": Day("day__gte"),
        "day_before": Day("day__lt"),
    }
    orderings = {"day": "day", "id": "pk"}
    order = ("-day",)


class CustomerNoteSerializer(serializers.ModelSerializer[CustomerNote]):
    """What a customer is told about a visit: its day, or that it is called off."""

    customer = serializers.IntegerField(source="visit.customer_id", read_only=True)
    customer_name = beside("visit.customer.name")
    dealer = serializers.IntegerField(source="visit.customer.dealer_id", read_only=True)
    dealer_code = beside("visit.customer.dealer.code")
    recipients = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = CustomerNote
        fields = (
            "id", "visit", "planned_on", "cancels", "customer", "customer_name", "dealer",
            "dealer_code", *STATE,
        )  # fmt: skip


class CustomerNoteViews(Resource):
    """Notes to customers; the backlog is `waiting=true`."""

    resource = "customer-notes"
    model = CustomerNote
    related = ("visit__customer__dealer",)
    serializer_class = CustomerNoteSerializer
    filters = {
        "dealer": ref_filter("visit__customer__dealer", Dealer),
        "customer": ref_filter("visit__customer", Customer),
        "waiting": Whether("sent_at__isnull"),
        "planned_after": Day("planned_on__gte"),
        "planned_before": Day("planned_on__lt"),
    }
    orderings = {"planned_on": "planned_on", "id": "pk"}
    order = ("-planned_on",)
