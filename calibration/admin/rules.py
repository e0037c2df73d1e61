"""What a calibration is judged by: references and policies. An edit has verdicts made again."""

from typing import Any

from django import forms
from django.contrib import admin
from django.http import HttpRequest
from django.utils import timezone

from calibration import policies
from calibration.models import ReferenceStandard, TolerancePolicy
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.refusals import RefusalForm
from fleet.admin.scoped import Scoped


class SetpointsField(forms.CharField):
    """Loads, separated by commas; kept as a list of numbers."""

    widget = forms.TextInput

    def prepare_value(self, value: Any) -> Any:
        """Return the list as a person types it."""
        return ", ".join(f"{v:g}" for v in value) if isinstance(value, list) else value

    def to_python(self, value: Any) -> Any:
        """Return the numbers."""
        parts = [part.strip() for part in str(value or "").strip("[] ").split(",")]
        try:
            return [float(part) for part in parts if part]
        except ValueError as wrong:
            raise forms.ValidationError(
                "Not a list of loads. Accepted: numbers separated by commas, like 50, 100."
            ) from wrong

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Whether the numbers are others."""
        try:
            return bool(self.to_python(data) != (initial or []))
        except forms.ValidationError:
            return True


class PolicyForm(RefusalForm):
    """A policy, with its setpoints as people write them."""

    setpoints = SetpointsField(
        required=False, help_text="At most ten loads above zero, like 50, 100, 150."
    )


@admin.register(ReferenceStandard)
class ReferenceAdmin(Scoped):
    """Reference standards, with their uncertainty and how long they are good."""

    resource = "references"
    labels = {"relative_uncertainty_pct": "Standard uncertainty, %"}
    list_display = ("name", "dealer", "kind", "serial", "relative_uncertainty_pct", "valid_until")
    list_select_related = ("dealer",)
    list_filter = (("dealer", ScopedRelatedFilter), "kind")
    search_fields = ("name", "serial", "certificate")
    fieldsets = (
        (None, {"fields": ("dealer", "name", "kind", "serial")}),
        (
            "What it is worth",
            {
                "fields": ("relative_uncertainty_pct", "certificate", "valid_until"),
                "description": (
                    "A change has every sensor that was calibrated with it judged again."
                ),
            },
        ),
    )

    def after_save(self, request: HttpRequest, row: Any, changed: Any) -> None:
        """Have the sensors that were calibrated with it judged again."""
        if changed and "relative_uncertainty_pct" in changed:
            policies.mark_rule_changed(row, now=timezone.now())


@admin.register(TolerancePolicy)
class PolicyAdmin(Scoped):
    """Tolerance policies; the most particular one holds."""

    resource = "policies"
    form = PolicyForm
    labels = {
        "slope_tolerance_pct": "Slope, % of slope",
        "offset_tolerance_pct": "Offset, % of rated load",
        "flag_probability": "Flag from a chance of",
        "watch_probability": "Watch from a chance of",
        "default_interval_days": "Interval, days, until there are data",
        "longest_interval_days": "Interval, days, at most, by the model's record",
        "target_reliability": "Share to be found within at recalibration",
    }
    list_display = (
        "name", "sensor_model", "dealer", "slope_tolerance_pct", "offset_tolerance_pct",
        "flag_probability", "default_interval_days",
    )  # fmt: skip
    list_select_related = ("sensor_model", "dealer")
    list_filter = (("dealer", ScopedRelatedFilter), ("sensor_model", ScopedRelatedFilter))
    fieldsets = (
        (
            "For whom",
            {
                "fields": ("sensor_model", "dealer"),
                "description": (
                    "Dealer and model go before the model alone, that before the dealer alone, "
                    "that before the whole site (neither)."
                ),
            },
        ),
        ("What may change", {"fields": ("slope_tolerance_pct", "offset_tolerance_pct")}),
        ("How sure to be", {"fields": ("flag_probability", "watch_probability")}),
        (
            "How often",
            {"fields": ("default_interval_days", "target_reliability", "longest_interval_days")},
        ),
        ("Setpoints that the operator uses", {"fields": ("setpoints", "load_unit")}),
    )

    def get_fieldsets(self, request: HttpRequest, obj: Any = None) -> Any:
        """Return the parts of the page; setpoints that are only read stand as people type them."""
        parts = super().get_fieldsets(request, obj)
        if obj is None or self.has_change_permission(request, obj):
            return parts
        *others, (title, _) = parts
        return [*others, (title, {"fields": ("setpoints_shown", "load_unit")})]

    @admin.display(description="setpoints")
    def setpoints_shown(self, row: TolerancePolicy) -> str:
        """Return the setpoints as a person types them."""
        return str(SetpointsField().prepare_value(row.setpoints))

    @admin.display(description="policy")
    def name(self, row: TolerancePolicy) -> str:
        """Return for whom it holds."""
        return str(row)

    def after_save(self, request: HttpRequest, row: Any, changed: Any) -> None:
        """Have the sensors that it holds for judged again."""
        if changed is None or changed:
            policies.mark_rule_changed(row, now=timezone.now())
