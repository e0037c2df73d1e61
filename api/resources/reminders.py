"""Reminders: sensors that have to be calibrated again, until they are."""

from rest_framework import serializers

from api.conditions import Day, Filter, OneOf
from api.refs import beside, ref_filter, seated
from api.registers import Resource
from calibration.models import DueState, Reminder
from fleet.models import Customer, Dealer, Machine, Sensor, SensorModel


class ReminderSerializer(serializers.ModelSerializer[Reminder]):
    """A reminder as the answer shows it."""

    sensor_serial = beside("sensor.serial")
    dealer = serializers.IntegerField(source="sensor.dealer_id", read_only=True)
    dealer_code = beside("sensor.dealer.code")

    class Meta:
        model = Reminder
        fields = (
            "id", "sensor", "sensor_serial", "dealer", "dealer_code", "due_on", "why", "status",
            "created_at", "last_told_on", "done_at",
        )  # fmt: skip


class ReminderViews(Resource):
    """Reminders are made from the due days; nobody enters them."""

    resource = "reminders"
    model = Reminder
    related = ("sensor__dealer",)
    serializer_class = ReminderSerializer
    filters = {
        "sensor": ref_filter("sensor", Sensor),
        "sensor_serial": Filter("sensor__serial"),
        "sensor_model": ref_filter("sensor__model", SensorModel),
        "lot": Filter("sensor__lot"),
        "machine": seated("sensor__installations__machine", Machine),
        "customer": seated("sensor__installations__machine__customer", Customer),
        "dealer": ref_filter("sensor__dealer", Dealer),
        "status": OneOf("status", tuple(Reminder.Status.values)),
        "why": OneOf("why", tuple(DueState.Decided.values)),
        "due_after": Day("due_on__gte"),
        "due_before": Day("due_on__lt"),
    }
    search_fields = ("sensor__serial",)
    orderings = {
        "due_on": "due_on", "created_at": "created_at", "sensor_serial": "sensor__serial",
        "id": "pk",
    }  # fmt: skip
    order = ("due_on",)
