"""Machines, what is on them now, and their resale."""

from typing import Any

from django.http import HttpResponse
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Contains, Filter
from api.downloads import download
from api.fields import Text
from api.inputs import Input
from api.refs import beside, ref, ref_filter
from api.registers import Register
from api.rendering import Pdf
from api.sheets import PAPER, page_link, paper_in
from calibration import following
from calibration.documents.latest import latest_answers
from fleet import registry
from fleet.models import Customer, Dealer, Installation, Machine, MachineModel


class MachineInput(Input):
    """What is said of a machine."""

    echoed = ("id", "dealer", "dealer_code", "positions")

    customer = ref(Customer, "dealer")
    model = ref(MachineModel)
    serial = Text(max_length=40, trim_whitespace=False)
    name = Text(required=False, allow_blank=True, max_length=80)


class TransferInput(Input):
    """Who bought the machine."""

    customer = ref(Customer, "dealer")


class MachineSerializer(serializers.ModelSerializer[Machine]):
    """A machine as the answer shows it."""

    customer_name = beside("customer.name")
    dealer = serializers.IntegerField(source="customer.dealer_id", read_only=True)
    dealer_code = beside("customer.dealer.code")
    model_name = beside("model.name")

    class Meta:
        model = Machine
        fields = (
            "id", "serial", "name", "model", "model_name", "customer", "customer_name", "dealer",
            "dealer_code",
        )  # fmt: skip


class PositionSerializer(serializers.ModelSerializer[Installation]):
    """A position of a machine, the sensor there, and its newest calibration."""

    installation = serializers.IntegerField(source="pk")
    sensor_serial = beside("sensor.serial")
    sensor_model = serializers.IntegerField(source="sensor.model_id")
    sensor_model_name = beside("sensor.model.name")
    next_due = serializers.DateField(source="sensor.due.due_on", allow_null=True, default=None)
    calibration = serializers.SerializerMethodField()

    class Meta:
        model = Installation
        fields = (
            "position", "installation", "installed_on", "sensor", "sensor_serial", "sensor_model",
            "sensor_model_name", "next_due", "calibration",
        )  # fmt: skip

    def get_calibration(self, place: Installation) -> dict[str, Any] | None:
        """Return the newest calibration of the sensor there."""
        latest: dict[int, dict[str, Any]] = self.context["latest"]
        return latest.get(place.sensor_id)


class MachineWithPositionsSerializer(MachineSerializer):
    """A machine with its positions."""

    positions = serializers.SerializerMethodField()

    class Meta:
        model = Machine
        fields = (*MachineSerializer.Meta.fields, "positions")

    @extend_schema_field(PositionSerializer(many=True))
    def get_positions(self, machine: Machine) -> Any:
        """Return the positions with their last numbers, in a fixed number of queries."""
        scope = self.context["scope"]
        places = list(
            Installation.objects.visible_to(scope)
            .filter(machine=machine, removed_on__isnull=True)
            .select_related("sensor__model", "sensor__due")
            .order_by("position")
        )
        latest = latest_answers([place.sensor_id for place in places], scope)
        return PositionSerializer(places, many=True, context={"latest": latest}).data


class MachineViews(Register):
    """Machines of the caller's dealers."""

    resource = "machines"
    model = Machine
    related = ("customer__dealer", "model")
    input = MachineInput
    serializer_class = MachineSerializer
    filters = {
        "dealer": ref_filter("customer__dealer", Dealer),
        "dealer_code": Filter("customer__dealer__code"),
        "customer": ref_filter("customer", Customer),
        "customer_name": Filter("customer__name"),
        "model": ref_filter("model", MachineModel),
        "model_name": Filter("model__name"),
        "serial": Filter("serial"),
        "name": Contains("name"),
    }
    search_fields = ("search", "customer__search", "model__name")
    orderings = {
        "serial": "serial", "name": "name", "customer_name": "customer__name",
        "model_name": "model__name", "id": "pk",
    }  # fmt: skip
    order = ("serial",)
    fixed = {"customer": "POST to transfer/ of this machine, which moves its sensors along"}
    verbs = {"transfer": "edit", "cab_card": "read"}
    formats = {"cab_card": (Pdf,)}

    def get_serializer_class(self) -> type[MachineSerializer]:
        """Return the longer form for one machine."""
        return MachineWithPositionsSerializer if self.action == "retrieve" else MachineSerializer

    def enter(self, values: dict[str, Any]) -> Machine:
        """Enter a machine."""
        return registry.register_machine(scope=self.scope, **values)

    @extend_schema(
        parameters=[PAPER],
        responses={(200, "application/json"): dict, (200, "application/pdf"): bytes},
    )
    @action(detail=True, url_path="cab-card")
    def cab_card(self, request: Request, pk: str) -> Response | HttpResponse:
        """The numbers for the card in the cab, as JSON or to print."""
        from calibration import documents

        machine = self.get_object()
        link = page_link(request, machine)
        if request.accepted_renderer.format == Pdf.format:
            content = documents.cab_card(
                machine, scope=self.scope, now=self.now, paper=paper_in(request), link=link
            )
            return download(content, Pdf, f"cab-card-{machine.pk}")
        data = documents.cab_card_data(machine, scope=self.scope, now=self.now, link=link)
        return Response(data)

    @extend_schema(request=TransferInput, responses=MachineSerializer)
    @action(detail=True, methods=["post"])
    def transfer(self, request: Request, pk: str) -> Response:
        """Resell a machine; it and the sensors on it come under the new owner's dealer."""
        machine = self.get_object()
        buyer = self.checked(TransferInput)["customer"]
        following.transfer_machine(scope=self.scope, machine=machine, customer=buyer, now=self.now)
        return Response(self.shown(machine))
