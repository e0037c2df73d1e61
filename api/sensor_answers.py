"""A sensor's answers as the OpenAPI description shows them: its newest numbers, its history."""

from typing import Any

from rest_framework import serializers

from api.answers import (
    LOADS,
    MAGNITUDE,
    READINGS,
    TOLERANCE,
    CalibrationAnswer,
    CauseAnswer,
    FitAnswer,
    FlagAnswer,
    maybe,
)
from api.functional_answers import FunctionalAnswer
from calibration.models import DriftFlag, DueState, Reason, Stage, Verdict


class LatestAnswer(serializers.Serializer[Any]):
    """The newest numbers of a sensor, in the units that were typed."""

    calibration = serializers.UUIDField()
    performed_at = serializers.DateTimeField()
    reason = serializers.ChoiceField(choices=Reason.values)
    stage = serializers.ChoiceField(choices=Stage.values)
    season = serializers.IntegerField(allow_null=True)
    verdict = serializers.ChoiceField(choices=Verdict.values, allow_null=True)
    load_unit = serializers.ChoiceField(choices=LOADS)
    reading_unit = serializers.ChoiceField(choices=READINGS)
    fit = FitAnswer()
    doubt = CauseAnswer(
        allow_null=True, help_text="Why these numbers are not to be believed; null: they are."
    )


class OpenFlagAnswer(serializers.Serializer[Any]):
    """A flag that stands open, in a list of sensors."""

    id = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=DriftFlag.Kind.values)
    level = serializers.ChoiceField(choices=DriftFlag.Level.values)
    status = serializers.ChoiceField(choices=DriftFlag.Status.values)
    magnitude = serializers.FloatField(help_text=MAGNITUDE)
    tolerance = serializers.FloatField(help_text=TOLERANCE)
    p_out = maybe()
    opened_at = serializers.DateTimeField()


class TagAnswer(serializers.Serializer[Any]):
    """The numbers on the tag of a new cell."""

    zero_reading = serializers.FloatField()
    span_reading = serializers.FloatField()
    span_load = serializers.FloatField()
    load_unit = serializers.ChoiceField(choices=LOADS)


class HistorySensor(serializers.Serializer[Any]):
    """Whose history it is."""

    id = serializers.IntegerField()
    serial = serializers.CharField()
    model = serializers.IntegerField()
    model_name = serializers.CharField()
    dealer = serializers.IntegerField()
    dealer_code = serializers.CharField()
    lot = serializers.CharField()
    tag = TagAnswer(allow_null=True)


class StayAnswer(serializers.Serializer[Any]):
    """Where it sat; on a machine that is another dealer's now, only the serial is told."""

    id = serializers.IntegerField()
    machine = serializers.IntegerField(allow_null=True)
    machine_serial = serializers.CharField()
    machine_model_name = serializers.CharField()
    customer_name = serializers.CharField()
    position = serializers.CharField()
    installed_on = serializers.DateField()
    removed_on = serializers.DateField(allow_null=True)


class SeasonAnswer(serializers.Serializer[Any]):
    """A season's last calibration that stands, and the change since the season before."""

    calibration = serializers.UUIDField()
    performed_at = serializers.DateTimeField()
    season = serializers.IntegerField()
    segment = serializers.IntegerField()
    verdict = serializers.ChoiceField(choices=Verdict.values)
    slope = maybe()
    u_slope = maybe()
    offset = maybe()
    u_offset = maybe()
    load_unit = serializers.CharField(allow_null=True)
    reading_unit = serializers.CharField(allow_null=True)
    previous_season = serializers.IntegerField(allow_null=True)
    slope_change_pct = maybe()
    u_slope_change_pct = maybe()
    offset_change = maybe()
    u_offset_change = maybe()
    p_out_slope = maybe()
    p_out_offset = maybe()


class DueAnswer(serializers.Serializer[Any]):
    """When it is due, and what decided the day."""

    due_on = serializers.DateField()
    decided_by = serializers.ChoiceField(choices=DueState.Decided.values)
    says = serializers.CharField()
    last_calibration = serializers.UUIDField(allow_null=True)


class CompetingDayAnswer(serializers.Serializer[Any]):
    """One reason to be due, on its day."""

    reason = serializers.ChoiceField(choices=DueState.Decided.values)
    on = serializers.DateField()
    says = serializers.CharField()


class DueReasonsAnswer(serializers.Serializer[Any]):
    """When a sensor is due, every day that competed, and why one decided."""

    sensor = serializers.IntegerField()
    sensor_serial = serializers.CharField()
    due_on = serializers.DateField(allow_null=True)
    decided_by = serializers.ChoiceField(choices=DueState.Decided.values, allow_null=True)
    says = serializers.CharField()
    candidates = CompetingDayAnswer(many=True, help_text="The earliest first.")


class HistoryAnswer(serializers.Serializer[Any]):
    """A sensor's whole life, oldest first."""

    sensor = HistorySensor()
    installations = StayAnswer(many=True)
    calibrations = CalibrationAnswer(many=True)
    functional_tests = FunctionalAnswer(many=True)
    seasons = SeasonAnswer(many=True)
    flags = FlagAnswer(many=True)
    due = DueAnswer(allow_null=True)
