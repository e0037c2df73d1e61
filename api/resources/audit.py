"""Who did what: every change of the register and of the rules, to read."""

from typing import Any

from rest_framework import serializers

from api.conditions import Filter, Moment, OneOf
from api.refs import ref_filter
from api.registers import Resource
from fleet.models import Change, Customer, Dealer, Machine, Sensor


class ChangeSerializer(serializers.ModelSerializer[Change]):
    """A change as the answer shows it."""

    actor_name = serializers.SerializerMethodField(help_text="Empty: the system.")
    before = serializers.JSONField(help_text="The columns that changed, as they were.")
    after = serializers.JSONField(help_text="The same, as they are since.")

    class Meta:
        model = Change
        fields = (
            "id", "at", "actor", "actor_name", "via", "table", "row", "what", "before", "after",
            "dealer", "customer", "machine", "sensor",
        )  # fmt: skip

    def get_actor_name(self, row: Change) -> str:
        """Return the user name of who did it; the person may be gone by now."""
        actor: Any = row.actor_name  # type: ignore[attr-defined] # annotated
        return str(actor or "")


class AuditViews(Resource):
    """Changes of the caller's dealers; triggers write them, nobody changes them."""

    resource = "audit"
    model = Change
    serializer_class = ChangeSerializer
    filters = {
        "dealer": ref_filter("dealer", Dealer),
        "customer": ref_filter("customer", Customer),
        "machine": ref_filter("machine", Machine),
        "sensor": ref_filter("sensor", Sensor),
        "actor_name": Filter("actor__username"),
        "table": Filter("table"),
        "row": Filter("row"),
        "via": Filter("via"),
        "what": OneOf("what", tuple(Change.What.values)),
        "at_after": Moment("at__gte"),
        "at_before": Moment("at__lt"),
    }
    search_fields = ("table", "row")
    orderings = {"at": "at", "id": "pk"}
    order = ("-pk",)

    def get_queryset(self) -> Any:
        """Return the changes, each with its actor's user name."""
        from django.db.models import F

        return super().get_queryset().annotate(actor_name=F("actor__username"))
