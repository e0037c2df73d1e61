"""The records' answers as the OpenAPI description shows them; `calibration.readout` makes them."""

from typing import Any

from rest_framework import serializers

from calibration.models import Direction, DriftFlag, Reason, Stage, Verdict
from fleet import units

LOADS, PRESSURES, READINGS = list(units.LOAD), list(units.PRESSURE), list(units.READING)


def maybe() -> serializers.FloatField:
    """Return the field of a number that may be missing."""
    return serializers.FloatField(allow_null=True)


class CauseAnswer(serializers.Serializer[Any]):
    """Something that may have gone wrong, and the check that would tell."""

    code = serializers.CharField()
    probability = serializers.FloatField()
    says = serializers.CharField()
    check = serializers.CharField()


MAGNITUDE = (
    "Slope: %; offset: % of rated load; functional: the error that uses most of its tolerance, in "
    "% of its setpoint; lot: % found out; overdue: days."
)
TOLERANCE = (
    "What the magnitude was held against, in its unit. A functional test whose error is within it "
    "failed by something else, which the causes name."
)


class BesideAnswer(serializers.Serializer[Any]):
    """A calibration of another sensor with the same reference on the same day."""

    calibration = serializers.UUIDField()
    sensor = serializers.IntegerField()
    sensor_serial = serializers.CharField()


class MovedAnswer(serializers.Serializer[Any]):
    """Which reference a flag of a reference is about, and what else was calibrated with it."""

    reference = serializers.IntegerField(
        allow_null=True, help_text="null: none was named, or it is not yours to know."
    )
    reference_name = serializers.CharField()
    day = serializers.DateField(help_text="By the clock of the reference's dealer.")
    others = BesideAnswer(many=True, help_text="Other cells that you may see, by serial.")


class FlagAnswer(serializers.Serializer[Any]):
    """A flag."""

    id = serializers.IntegerField()
    sensor = serializers.IntegerField()
    sensor_serial = serializers.CharField(required=False)
    calibration = serializers.UUIDField(allow_null=True)
    functional_test = serializers.UUIDField(allow_null=True)
    kind = serializers.ChoiceField(choices=DriftFlag.Kind.values)
    level = serializers.ChoiceField(choices=DriftFlag.Level.values)
    magnitude = serializers.FloatField(help_text=MAGNITUDE)
    tolerance = serializers.FloatField(help_text=TOLERANCE)
    p_out = maybe()
    causes = CauseAnswer(many=True)
    status = serializers.ChoiceField(choices=DriftFlag.Status.values)
    opened_at = serializers.DateTimeField()
    acknowledged_at = serializers.DateTimeField(allow_null=True)
    closed_at = serializers.DateTimeField(allow_null=True)
    close_reason = serializers.CharField()
    family = serializers.IntegerField(
        allow_null=True, help_text="Flags with one cause between them carry the same number."
    )
    family_cause = serializers.CharField()
    assigned_to = serializers.CharField(help_text="A user name; to the person's dealer only.")
    assigned_at = serializers.DateTimeField(allow_null=True)
    moved = MovedAnswer(
        required=False, allow_null=True, help_text="Of a flag of a reference; null of others."
    )


class PointAnswer(serializers.Serializer[Any]):
    """A load and the reading at it, as typed."""

    load = serializers.FloatField()
    reading = serializers.FloatField()
    direction = serializers.ChoiceField(choices=Direction.values)


class ConditionsAnswer(serializers.Serializer[Any]):
    """The conditions, as typed."""

    temperature_c = maybe()
    hydraulic_pressure = maybe()
    pressure_unit = serializers.CharField()


class FitAnswer(serializers.Serializer[Any]):
    """The line through the points, in the units that were entered."""

    slope = serializers.FloatField()
    offset = serializers.FloatField()
    u_slope = serializers.FloatField()
    u_offset = serializers.FloatField()
    covariance = serializers.FloatField()
    residual_sd = maybe()
    birge_ratio = maybe()
    degrees_of_freedom = serializers.IntegerField()
    reference_uncertainty_pct = serializers.FloatField()
    load_unit = serializers.ChoiceField(choices=LOADS)
    reading_unit = serializers.ChoiceField(choices=READINGS)


class FeltAnswer(serializers.Serializer[Any]):
    """The true load at a setpoint with the old numbers in the console."""

    setpoint = serializers.FloatField()
    true_load = serializers.FloatField()
    error = serializers.FloatField()
    u_error = serializers.FloatField()
    error_pct = serializers.FloatField()


class AgainstAnswer(serializers.Serializer[Any]):
    """The change since another calibration; an empty object where there is none."""

    calibration = serializers.UUIDField(required=False)
    performed_at = serializers.DateTimeField(required=False)
    slope_change_pct = serializers.FloatField(required=False)
    u_slope_change_pct = serializers.FloatField(required=False)
    offset_change = serializers.FloatField(required=False)
    u_offset_change = serializers.FloatField(required=False)
    en_slope = serializers.FloatField(required=False)
    en_offset = serializers.FloatField(required=False)
    p_out_slope = serializers.FloatField(required=False)
    p_out_offset = serializers.FloatField(required=False)
    setpoints = FeltAnswer(many=True, required=False)


class TrendAnswer(serializers.Serializer[Any]):
    """Where the slope is going; nulls where there are too few seasons."""

    slope_pct_per_year = maybe()
    expected_crossing = serializers.DateField(allow_null=True)
    earliest_crossing = serializers.DateField(allow_null=True)


class ToleranceAnswer(serializers.Serializer[Any]):
    """What it was judged by."""

    slope_pct = serializers.FloatField(required=False)
    offset = serializers.FloatField(required=False)
    load_unit = serializers.ChoiceField(choices=LOADS, required=False)
    flag_probability = serializers.FloatField(required=False)
    watch_probability = serializers.FloatField(required=False)


class MethodAnswer(serializers.Serializer[Any]):
    """Name and version of the methods that made the numbers."""

    fit = serializers.CharField(allow_null=True)
    judgement = serializers.CharField(allow_null=True)


class ExpectedAnswer(serializers.Serializer[Any]):
    """Against what the whole history led one to expect; empty where nothing was expected.

    The day's common change of the reference is taken off; the verdict rests on these numbers.
    """

    expected_slope = serializers.FloatField(required=False)
    u_expected_slope = serializers.FloatField(required=False)
    expected_offset = serializers.FloatField(required=False)
    u_expected_offset = serializers.FloatField(required=False)
    slope_change_pct = serializers.FloatField(required=False)
    u_slope_change_pct = serializers.FloatField(required=False)
    offset_change = serializers.FloatField(required=False)
    u_offset_change = serializers.FloatField(required=False)
    en_slope = serializers.FloatField(required=False)
    en_offset = serializers.FloatField(required=False)
    p_out_slope = serializers.FloatField(required=False)
    p_out_offset = serializers.FloatField(required=False)
    common_change_pct = serializers.FloatField(required=False, allow_null=True)
    u_common_change_pct = serializers.FloatField(required=False, allow_null=True)
    common_members = serializers.IntegerField(required=False)
    reference_moved = serializers.FloatField(required=False, allow_null=True)
    reference_returned_pct = serializers.FloatField(
        required=False,
        allow_null=True,
        help_text="By how much the reference had moved before, of which these numbers are free.",
    )
    jump_probability = serializers.FloatField(required=False, allow_null=True)
    learnt_from = serializers.BooleanField(required=False)
    rests_on = serializers.ChoiceField(
        choices=["history", "tag", "lot"],
        required=False,
        help_text="Earlier calibrations; of a first one the cell's tag, or what others of its "
        "model and lot showed first.",
    )


class ExplanationAnswer(serializers.Serializer[Any]):
    """One step of why the verdict is what it is."""

    step = serializers.CharField()
    says = serializers.CharField()
    formula = serializers.CharField(allow_blank=True)
    source = serializers.CharField(allow_blank=True)  # type: ignore[assignment] # a field of the answer


class RejudgedAnswer(serializers.Serializer[Any]):
    """A later calibration that was judged again, because an older one came in."""

    id = serializers.UUIDField()
    performed_at = serializers.DateTimeField()
    verdict_before = serializers.ChoiceField(choices=Verdict.values)
    verdict = serializers.ChoiceField(choices=Verdict.values)


class RemarkAnswer(serializers.Serializer[Any]):
    """Something that can be but surprises: it was not refused, and somebody should look."""

    code = serializers.CharField(
        help_text="Stable; now one of: load_beyond_rated, pressure_at_zero, the code of a cause "
        "that says so of these numbers nearly for certain; more may come."
    )
    says = serializers.CharField()
    check = serializers.CharField(help_text="What would tell.")
    pointer = serializers.CharField(help_text="Where in the record: a JSON pointer (RFC 6901).")


class CalibrationAnswer(serializers.Serializer[Any]):
    """A calibration and everything that follows from it."""

    id = serializers.UUIDField()
    sensor = serializers.IntegerField()
    sensor_serial = serializers.CharField()
    sensor_model = serializers.IntegerField()
    sensor_model_name = serializers.CharField()
    installation = serializers.IntegerField(allow_null=True)
    machine_serial = serializers.CharField()
    position = serializers.CharField()
    performed_at = serializers.DateTimeField()
    reason = serializers.ChoiceField(choices=Reason.values)
    stage = serializers.ChoiceField(choices=Stage.values)
    reference = serializers.IntegerField(allow_null=True)
    reference_name = serializers.CharField()
    technician = serializers.CharField()
    load_unit = serializers.ChoiceField(choices=LOADS)
    reading_unit = serializers.ChoiceField(choices=READINGS)
    points = PointAnswer(many=True)
    conditions = ConditionsAnswer()
    note = serializers.CharField()
    supersedes = serializers.UUIDField(allow_null=True)
    supersede_reason = serializers.CharField()
    superseded_by = serializers.UUIDField(allow_null=True)
    recorded_at = serializers.DateTimeField()
    fit = FitAnswer()
    against_previous = AgainstAnswer()
    against_first = AgainstAnswer()
    against_expected = ExpectedAnswer()
    trend = TrendAnswer()
    season = serializers.IntegerField(allow_null=True)
    segment = serializers.IntegerField(allow_null=True)
    verdict = serializers.ChoiceField(choices=Verdict.values, allow_null=True)
    causes = CauseAnswer(many=True)
    explain = ExplanationAnswer(many=True, required=False, help_text="Not in lists.")
    remarks = RemarkAnswer(
        many=True, help_text="Mostly empty. Made when it is read; never sealed."
    )
    figures = serializers.DictField(
        required=False,
        allow_null=True,
        help_text="Not in lists. Nonlinearity, hysteresis, repeatability, zero return in % of "
        "rated capacity; null below three distinct loads.",
    )
    tolerance = ToleranceAnswer()
    flags = FlagAnswer(many=True)
    next_due = serializers.DateField(allow_null=True)
    method = MethodAnswer()
    content_digest = serializers.CharField()
    digest = serializers.CharField(allow_null=True)
    stored = serializers.BooleanField(help_text="False: only checked.")


class RecordedAnswer(CalibrationAnswer):
    """A calibration that was just stored, and what that did to later ones of its sensor."""

    rejudged = RejudgedAnswer(many=True)


class ItemAnswer(serializers.Serializer[Any]):
    """What became of one record of a batch."""

    index = serializers.IntegerField()
    id = serializers.UUIDField(allow_null=True)
    status = serializers.IntegerField(help_text="The status that the record alone would have got.")
    calibration = CalibrationAnswer(required=False)
    rejudged = RejudgedAnswer(
        many=True, required=False, help_text="Where it was stored: later ones, judged again."
    )
    problem = serializers.DictField(required=False)


class BatchAnswer(serializers.Serializer[Any]):
    """What became of every record of a batch, in its order."""

    stored = serializers.IntegerField()
    already_there = serializers.IntegerField()
    refused = serializers.IntegerField()
    results = ItemAnswer(many=True)
