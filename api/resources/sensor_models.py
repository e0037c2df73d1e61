"""Types of load cells with their rated values: a catalogue."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Contains, OneOf
from api.fields import Number, Text
from api.inputs import Input
from api.registers import Register
from calibration.policies import mark_rule_changed
from fleet import units
from fleet.models import SensorModel


class SensorModelInput(Input):
    """What is said of a sensor model."""

    echoed = ("id",)

    name = Text(max_length=80)
    rated_load = Number(min_value=1e-6, max_value=1e9)
    load_unit = serializers.ChoiceField(choices=list(units.LOAD))
    reading_unit = serializers.ChoiceField(choices=list(units.READING), required=False)
    reading_min = Number(required=False, allow_null=True)
    reading_max = Number(required=False, allow_null=True)
    nominal_slope = Number(required=False, allow_null=True)
    nominal_offset = Number(required=False, allow_null=True)
    repeatability_pct = Number(required=False, min_value=0, max_value=100)


class SensorModelSerializer(serializers.ModelSerializer[SensorModel]):
    """A sensor model as the answer shows it."""

    class Meta:
        model = SensorModel
        fields = (
            "id", "name", "rated_load", "load_unit", "reading_unit", "reading_min", "reading_max",
            "nominal_slope", "nominal_offset", "repeatability_pct",
        )  # fmt: skip


class CurvePoint(serializers.Serializer[Any]):
    """In-tolerance probability on a day after a calibration, with its band."""

    days = serializers.FloatField()
    probability = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()


class LawAnswer(serializers.Serializer[Any]):
    """A Weibull law of leaving tolerance; a shape of 1 without uncertainty: exponential."""

    shape = serializers.FloatField()
    u_shape = serializers.FloatField()
    scale_days = serializers.FloatField()
    u_scale_days = serializers.FloatField()


class LastingAnswer(serializers.Serializer[Any]):
    """How long the sensors of a model stay in tolerance, and the interval that follows."""

    sensor_model = serializers.IntegerField()
    sensor_model_name = serializers.CharField()
    target = serializers.FloatField(help_text="In-tolerance probability that is to hold.")
    sensors = serializers.IntegerField()
    observations = serializers.IntegerField(help_text="As-found outcomes.")
    out = serializers.IntegerField(help_text="Of them, found out of tolerance.")
    curve = CurvePoint(many=True)
    curve_level = serializers.FloatField(help_text="Confidence level of the band at each day.")
    law = LawAnswer(allow_null=True)
    interval_days = serializers.FloatField()
    lower_bound_days = serializers.FloatField(help_text="One-sided, at `confidence`.")
    confidence = serializers.FloatField()
    default_days = serializers.IntegerField()
    basis = serializers.ChoiceField(choices=["weibull", "exponential", "default"])
    extrapolated = serializers.BooleanField(help_text="Beyond the longest time observed.")
    method = serializers.CharField()
    says = serializers.CharField()


class LotAnswer(serializers.Serializer[Any]):
    """A lot against the other lots of its model; null where it has no siblings."""

    sensor_model = serializers.IntegerField()
    sensor_model_name = serializers.CharField()
    lot = serializers.CharField()
    sensors = serializers.IntegerField()
    calibrations = serializers.IntegerField(
        help_text="As-found calibrations up to the first that found the sensor out."
    )
    out = serializers.IntegerField(help_text="Sensors found out of tolerance.")
    share = serializers.FloatField(help_text="out / calibrations")
    low = serializers.FloatField(help_text="Exact 95 % interval of the share.")
    high = serializers.FloatField()
    siblings_share = serializers.FloatField(allow_null=True)
    p_value = serializers.FloatField(allow_null=True, help_text="Fisher's exact, one-sided.")
    q_value = serializers.FloatField(
        allow_null=True, help_text="Adjusted for all lots that the caller sees."
    )
    stands_out = serializers.BooleanField()


class ReliabilityAnswer(serializers.Serializer[Any]):
    """What the fleet says of a sensor model."""

    reliability = LastingAnswer()
    lots = LotAnswer(many=True)


class SensorModelViews(Register):
    """Sensor models: everybody reads them, administrators enter and edit them."""

    resource = "sensor-models"
    model = SensorModel
    input = SensorModelInput
    serializer_class = SensorModelSerializer
    filters = {
        "name": Contains("name"),
        "load_unit": OneOf("load_unit", tuple(units.LOAD)),
        "reading_unit": OneOf("reading_unit", tuple(units.READING)),
    }
    search_fields = ("name",)
    orderings = {"name": "name", "rated_load": "rated_load", "id": "pk"}
    order = ("name",)
    verbs = {"reliability": "read"}

    def change(self, row: SensorModel, values: dict[str, Any]) -> SensorModel:
        """Store the changed model; the verdicts that rest on it are made again."""
        changed: SensorModel = super().change(row, values)
        mark_rule_changed(changed, now=self.now)
        return changed

    @extend_schema(responses=ReliabilityAnswer)
    @action(detail=True)
    def reliability(self, request: Request, pk: str) -> Response:
        """How long its sensors stay in tolerance, and which of its lots drift more than others.

        Only what the caller may see enters the numbers.
        """
        from calibration import fleetwide

        row = self.get_object()
        return Response(
            {
                "reliability": fleetwide.reliability(row, scope=self.scope, now=self.now),
                "lots": fleetwide.lots(row, scope=self.scope),
            }
        )
