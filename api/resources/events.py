"""What happened, in the order of its numbers; a program reads on from the last one that it has."""

from django.db.models import QuerySet
from rest_framework import serializers

from api.conditions import Filter, Moment, OneOf, Whole
from api.refs import beside, ref_filter
from api.registers import Resource
from calibration import events
from calibration.models import Event
from fleet.models import Dealer


class EventSerializer(serializers.ModelSerializer[Event]):
    """An event as the answer shows it."""

    dealer_code = beside("dealer.code")
    data = serializers.DictField(help_text="What there is to know; by kind.")  # type: ignore[assignment] # the member's name in the answer

    class Meta:
        model = Event
        fields = ("id", "number", "kind", "at", "dealer", "dealer_code", "subject", "sensor",
                  "data")  # fmt: skip


class EventViews(Resource):
    """Events of the caller's dealers, numbered without a gap that is filled later."""

    resource = "events"
    model = Event
    related = ("dealer",)
    serializer_class = EventSerializer
    filters = {
        "after": Whole("number__gt"),
        "kind": OneOf("kind", tuple(Event.Kind.values)),
        "dealer": ref_filter("dealer", Dealer),
        "sensor_serial": Filter("sensor"),
        "subject": Filter("subject"),
        "at_after": Moment("at__gte"),
        "at_before": Moment("at__lt"),
    }
    orderings = {"number": "number"}
    order = ("number",)

    def get_queryset(self) -> QuerySet[Event]:
        """Return the events that have their numbers: all that are committed by now."""
        if not getattr(self, "swagger_fake_view", False):
            events.number()
        return super().get_queryset().filter(number__isnull=False)
