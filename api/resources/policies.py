"""Tolerance policies: what may change between seasons, and how sure one must be."""

from typing import Any

from rest_framework import serializers

from api.conditions import Filter, Whether
from api.fields import Number, Whole
from api.inputs import Input
from api.refs import beside, ref, ref_filter
from api.registers import Register, dealer_or_own
from calibration.models import TolerancePolicy
from calibration.policies import mark_rule_changed
from fleet import units
from fleet.models import Dealer, SensorModel


class PolicyInput(Input):
    """What a policy says; for all models, or all dealers, where none is named."""

    echoed = ("id",)

    sensor_model = ref(SensorModel, required=False, allow_null=True)
    dealer = ref(Dealer, required=False, allow_null=True)
    slope_tolerance_pct = Number(required=False, min_value=0, max_value=100)
    offset_tolerance_pct = Number(
        required=False, min_value=0, max_value=100, help_text="In % of rated load."
    )
    flag_probability = Number(required=False, min_value=0, max_value=1)
    watch_probability = Number(required=False, min_value=0, max_value=1)
    target_reliability = Number(required=False, min_value=0, max_value=1)
    default_interval_days = Whole(required=False, min_value=1, max_value=3650)
    longest_interval_days = Whole(
        required=False,
        allow_null=True,
        min_value=1,
        max_value=3650,
        help_text="How far the model's record may lengthen the interval; null: it only shortens.",
    )
    setpoints = serializers.ListField(
        child=Number(min_value=1e-9, max_value=1e9), required=False, max_length=10
    )
    load_unit = serializers.ChoiceField(choices=list(units.LOAD), required=False)


class PolicySerializer(serializers.ModelSerializer[TolerancePolicy]):
    """A policy as the answer shows it."""

    sensor_model_name = beside("sensor_model.name", nullable=True)
    dealer_code = beside("dealer.code", nullable=True)
    setpoints = serializers.ListField(child=serializers.FloatField())

    class Meta:
        model = TolerancePolicy
        fields = (
            "id", "sensor_model", "sensor_model_name", "dealer", "dealer_code",
            "slope_tolerance_pct", "offset_tolerance_pct", "flag_probability",
            "watch_probability", "target_reliability", "default_interval_days",
            "longest_interval_days", "setpoints", "load_unit",
        )  # fmt: skip


class PolicyViews(Register):
    """Policies of the caller's dealers and of the whole site."""

    resource = "policies"
    model = TolerancePolicy
    related = ("sensor_model", "dealer")
    input = PolicyInput
    serializer_class = PolicySerializer
    filters = {
        "dealer": ref_filter("dealer", Dealer),
        "dealer_code": Filter("dealer__code"),
        "sensor_model": ref_filter("sensor_model", SensorModel),
        "sensor_model_name": Filter("sensor_model__name"),
        "whole_site": Whether("dealer__isnull"),
    }
    search_fields = ("sensor_model__name", "dealer__code")
    orderings = {"id": "pk"}
    order = ("pk",)
    fixed = {
        "dealer": "the dealer as it is; make another policy",
        "sensor_model": "the sensor model as it is; make another policy",
    }

    def enter(self, values: dict[str, Any]) -> TolerancePolicy:
        """Enter a policy; an administrator who names no dealer speaks for the whole site."""
        if not self.scope.administers:
            values = dealer_or_own(values, self.scope, "policies")
        row: TolerancePolicy = super().enter(values)
        mark_rule_changed(row, now=self.now)
        return row

    def change(self, row: TolerancePolicy, values: dict[str, Any]) -> TolerancePolicy:
        """Store the changed policy; the verdicts that rest on it are made again."""
        changed: TolerancePolicy = super().change(row, values)
        mark_rule_changed(changed, now=self.now)
        return changed
