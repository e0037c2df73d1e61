"""Reference standards, and what one that was off has touched."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.answers import CauseAnswer
from api.conditions import Contains, Day, Filter, OneOf
from api.fields import Day as DayInput
from api.fields import Number, Text
from api.inputs import Input
from api.refs import beside, ref, ref_filter
from api.registers import Register, dealer_or_own
from calibration.models import DriftFlag, ReferenceStandard, Verdict
from calibration.policies import mark_rule_changed
from fleet.models import Dealer

KINDS: tuple[Any, ...] = tuple(ReferenceStandard._meta.get_field("kind").flatchoices)


class ReferenceInput(Input):
    """What is said of a reference."""

    echoed = ("id",)

    dealer = ref(Dealer, required=False)
    name = Text(max_length=80)
    kind = serializers.ChoiceField(choices=KINDS, required=False)
    serial = Text(required=False, allow_blank=True, max_length=40)
    relative_uncertainty_pct = Number(
        required=False, min_value=0, max_value=100, help_text="Standard uncertainty (k = 1), %."
    )
    certificate = Text(required=False, allow_blank=True, max_length=120)
    valid_until = DayInput(required=False, allow_null=True)


class ReferenceSerializer(serializers.ModelSerializer[ReferenceStandard]):
    """A reference as the answer shows it."""

    dealer_code = beside("dealer.code")

    class Meta:
        model = ReferenceStandard
        fields = (
            "id", "dealer", "dealer_code", "name", "kind", "serial", "relative_uncertainty_pct",
            "certificate", "valid_until",
        )  # fmt: skip


class AffectedCalibrationAnswer(serializers.Serializer[Any]):
    """A calibration made with the reference: its verdict as measured and as corrected."""

    id = serializers.UUIDField()
    sensor = serializers.IntegerField()
    sensor_serial = serializers.CharField()
    machine_serial = serializers.CharField(allow_blank=True)
    performed_at = serializers.DateTimeField()
    season = serializers.IntegerField(allow_null=True)
    verdict = serializers.ChoiceField(choices=Verdict.values, allow_null=True)
    verdict_as_measured = serializers.ChoiceField(choices=Verdict.values, allow_null=True)
    reference_moved = serializers.FloatField(allow_null=True)
    common_change_pct = serializers.FloatField(allow_null=True)
    u_common_change_pct = serializers.FloatField(allow_null=True)
    corrected_slope_change_pct = serializers.FloatField(allow_null=True)
    u_corrected_slope_change_pct = serializers.FloatField(allow_null=True)
    corrected_p_out_slope = serializers.FloatField(allow_null=True)
    slope_change_pct = serializers.FloatField(allow_null=True)
    u_slope_change_pct = serializers.FloatField(allow_null=True)
    p_out_slope = serializers.FloatField(allow_null=True)
    causes = CauseAnswer(many=True)


class MovedTogetherAnswer(serializers.Serializer[Any]):
    """A day on which all cells moved by a common amount."""

    day = serializers.DateField()
    common_slope_change_pct = serializers.FloatField()
    flag = serializers.IntegerField()
    status = serializers.ChoiceField(choices=DriftFlag.Status.values)


class AffectedAnswer(serializers.Serializer[Any]):
    """Every calibration made with a reference, day by day."""

    reference = serializers.IntegerField()
    reference_name = serializers.CharField()
    relative_uncertainty_pct = serializers.FloatField()
    valid_until = serializers.DateField(allow_null=True)
    calibrations = AffectedCalibrationAnswer(many=True)
    moved_together = MovedTogetherAnswer(many=True)


class ReferenceViews(Register):
    """References of the caller's dealers."""

    resource = "references"
    model = ReferenceStandard
    related = ("dealer",)
    input = ReferenceInput
    serializer_class = ReferenceSerializer
    filters = {
        "dealer": ref_filter("dealer", Dealer),
        "dealer_code": Filter("dealer__code"),
        "name": Contains("name"),
        "kind": OneOf("kind", tuple(key for key, _ in KINDS)),
        "serial": Filter("serial"),
        "valid_after": Day("valid_until__gte"),
        "valid_before": Day("valid_until__lt"),
    }
    search_fields = ("name", "serial", "certificate")
    orderings = {"name": "name", "valid_until": "valid_until", "id": "pk"}
    order = ("name",)
    fixed = {"dealer": "the dealer as it is; enter the reference anew at the other dealer"}
    verbs = {"affected": "read"}

    def enter(self, values: dict[str, Any]) -> ReferenceStandard:
        """Enter a reference."""
        row: ReferenceStandard = super().enter(dealer_or_own(values, self.scope, "references"))
        return row

    def change(self, row: ReferenceStandard, values: dict[str, Any]) -> ReferenceStandard:
        """Store the changed reference; the verdicts that rest on it are made again."""
        changed: ReferenceStandard = super().change(row, values)
        mark_rule_changed(changed, now=self.now)
        return changed

    @extend_schema(responses=AffectedAnswer)
    @action(detail=True)
    def affected(self, request: Request, pk: str) -> Response:
        """What was calibrated with this reference, and what a fault in it would mean."""
        from calibration.fleetwide import affected_by

        return Response(affected_by(self.get_object(), scope=self.scope))
