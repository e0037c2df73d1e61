"""Installations: which sensor sits where, from a day to a day."""

from typing import Any

from django.db import transaction
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Day, Filter, Whether
from api.fields import Day as DayInput
from api.fields import Text
from api.inputs import Input
from api.refs import beside, ref, ref_filter
from api.registers import Register
from calibration import following
from fleet import registry
from fleet.models import Customer, Dealer, Installation, Machine, Sensor
from fleet.scope import Scope


class InstallationInput(Input):
    """Which sensor, where, since when."""

    echoed = ("id", "start_is_inferred")

    sensor = ref(Sensor, "dealer")
    machine = ref(Machine, "customer")
    position = Text(max_length=24)
    installed_on = DayInput()
    removed_on = DayInput(required=False, allow_null=True)


class ReplacementInput(Input):
    """The sensor that comes in the place, and the day."""

    sensor = ref(Sensor, "dealer")
    on = DayInput()


class InstallationSerializer(serializers.ModelSerializer[Installation]):
    """An installation; on a machine that is another dealer's today, only its serial is told."""

    machine = serializers.SerializerMethodField()
    sensor_serial = beside("sensor.serial")
    machine_serial = beside("machine.serial")

    class Meta:
        model = Installation
        fields = (
            "id", "sensor", "sensor_serial", "machine", "machine_serial", "position",
            "installed_on", "removed_on", "start_is_inferred",
        )  # fmt: skip

    def get_machine(self, row: Installation) -> int | None:
        """Return the machine's id, where the caller may see the machine."""
        scope: Scope = self.context["scope"]
        ours = scope.everywhere or row.machine.customer.dealer_id in scope.dealers
        return row.machine_id if ours else None


class InstallationViews(Register):
    """Installations of the caller's sensors."""

    resource = "installations"
    model = Installation
    related = ("sensor", "machine__customer")
    input = InstallationInput
    serializer_class = InstallationSerializer
    filters = {
        "sensor": ref_filter("sensor", Sensor),
        "sensor_serial": Filter("sensor__serial"),
        "machine": ref_filter("machine", Machine),
        "machine_serial": Filter("machine__serial"),
        "customer": ref_filter("machine__customer", Customer),
        "dealer": ref_filter("sensor__dealer", Dealer),
        "position": Filter("position"),
        "open": Whether("removed_on__isnull"),
        "installed_after": Day("installed_on__gte"),
        "installed_before": Day("installed_on__lt"),
    }
    search_fields = ("sensor__serial", "machine__serial", "position")
    orderings = {
        "installed_on": "installed_on", "removed_on": "removed_on", "position": "position",
        "sensor_serial": "sensor__serial", "id": "pk",
    }  # fmt: skip
    order = ("-installed_on",)
    fixed = {
        "sensor": "remove this one and install the other, or POST to replace/",
        "machine": "remove the sensor here and install it there",
    }
    verbs = {"replace": "edit"}

    def enter(self, values: dict[str, Any]) -> Installation:
        """Install a sensor; with a day of removal, a past installation."""
        removed_on = values.pop("removed_on", None)
        if removed_on is None:
            row = registry.install_sensor(scope=self.scope, **values)
        else:
            row = self._past(values | {"removed_on": removed_on})
        following.sensors_moved(row, now=self.now)
        return row

    def _past(self, values: dict[str, Any]) -> Installation:
        """Enter where a sensor sat before; it stays with the dealer who has it now."""
        registry.require(self.scope, "create", self.resource, values["machine"].customer.dealer_id)
        row: Installation = super().enter(values)
        return row

    def change(self, row: Installation, values: dict[str, Any]) -> Installation:
        """Store the changed installation; a day of removal takes the sensor off."""
        removed_on = values.get("removed_on")
        if set(values) == {"removed_on"} and removed_on is not None:
            registry.remove_sensor(scope=self.scope, installation=row, removed_on=removed_on)
        else:
            super().change(row, values)
        following.sensors_moved(row, now=self.now)
        return row

    @extend_schema(request=ReplacementInput, responses={201: InstallationSerializer})
    @action(detail=True, methods=["post"])
    @transaction.atomic
    def replace(self, request: Request, pk: str) -> Response:
        """Take the sensor off and put another in its place, on one day."""
        installation = self.get_object()
        values = self.checked(ReplacementInput)
        new = registry.replace_sensor(scope=self.scope, installation=installation, **values)
        following.sensors_moved(installation, new, now=self.now)
        return Response(self.shown(new), 201)
