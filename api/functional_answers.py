"""A functional test's answer as the OpenAPI description shows it."""

from typing import Any

from rest_framework import serializers

from api.answers import LOADS, PRESSURES, FlagAnswer, maybe
from calibration.models import Observed


class StepAnswer(serializers.Serializer[Any]):
    """One setpoint, as typed."""

    commanded = serializers.FloatField()
    displayed_mean = serializers.FloatField()
    displayed_min = maybe()
    displayed_max = maybe()
    pressure = maybe()
    observed = serializers.ChoiceField(choices=Observed.values)


class FunctionalAnswer(serializers.Serializer[Any]):
    """A functional test and what follows from it."""

    id = serializers.UUIDField()
    sensor = serializers.IntegerField()
    sensor_serial = serializers.CharField()
    installation = serializers.IntegerField()
    machine_serial = serializers.CharField()
    position = serializers.CharField()
    performed_at = serializers.DateTimeField()
    technician = serializers.CharField()
    note = serializers.CharField()
    load_unit = serializers.ChoiceField(choices=LOADS)
    pressure_unit = serializers.ChoiceField(choices=PRESSURES)
    steps = StepAnswer(many=True)
    verdict = serializers.ChoiceField(
        choices=["pass", "fail"], allow_null=True, help_text="Null: superseded, as below."
    )
    worst_error_pct = maybe()
    findings = serializers.ListField()
    method = serializers.CharField(allow_null=True)
    flags = FlagAnswer(many=True)
    supersedes = serializers.UUIDField(allow_null=True)
    supersede_reason = serializers.CharField()
    superseded_by = serializers.UUIDField(allow_null=True)
    recorded_at = serializers.DateTimeField()
    content_digest = serializers.CharField()
    digest = serializers.CharField()
