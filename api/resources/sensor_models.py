"""Types of load cells with their rated values: a catalogue."""

from typing import Any

from rest_framework import serializers

from api.conditions import Contains, OneOf
from api.inputs import Input, Number, Text
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

    def change(self, row: SensorModel, values: dict[str, Any]) -> SensorModel:
        """Store the changed model; the verdicts that rest on it are made again."""
        changed: SensorModel = super().change(row, values)
        mark_rule_changed(changed, now=self.now)
        return changed
