"""What follows from the records: fits, judgements and due days. May be computed again any time.

Fits and judgements are written by the million: their keys are not checked by the database again
(records are never deleted, and both are made from records that were just read).
"""

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.db.models.fields.json import KT

from calibration.models.record import Calibration
from calibration.models.rules import ReferenceStandard
from fleet.models import ScopedModel, Sensor


class Verdict(models.TextChoices):
    """Where a calibration stands against its history."""

    WITHIN = "within", "within"
    WATCH = "watch", "watch"
    BEYOND = "beyond", "beyond"


class Fit(ScopedModel):
    """The line through a calibration's points, in readings of the sensor model and newtons.

    `u_slope` holds the reference's common share; `u_slope_random` does not. The pivot is the
    weighted mean load, where slope and level are uncorrelated.
    """

    dealer_path: ClassVar[str] = "calibration__sensor__dealer"
    for_reviewers: ClassVar[bool] = True

    calibration = models.OneToOneField(
        Calibration,
        on_delete=models.CASCADE,
        primary_key=True,
        db_constraint=False,
        related_name="fit",
    )
    slope = models.FloatField()
    offset = models.FloatField()
    u_slope = models.FloatField()
    u_slope_random = models.FloatField()
    u_offset = models.FloatField()
    covariance = models.FloatField()
    pivot_load = models.FloatField()
    u_pivot = models.FloatField()
    residual_sd = models.FloatField(null=True, blank=True)
    birge_ratio = models.FloatField(null=True, blank=True)
    degrees_of_freedom = models.PositiveSmallIntegerField()
    reference_pct = models.FloatField(help_text="The reference's standard uncertainty used, in %.")
    method = models.CharField(max_length=40)

    class Meta:
        ordering = ("calibration",)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.slope:g} / {self.offset:g}"


# As `company` asks for it, so that PostgreSQL sees that the index serves.
_CHANGED_REFERENCE = Q(step__isnull=False) & (
    Q(step_reference__lt=F("reference")) | Q(step_reference__gt=F("reference"))
)


class Judgement(ScopedModel):
    """A calibration judged against the history before it; loads in newtons.

    `previous` is the newest calibration of an earlier season in the same segment (or, where there
    is none, the one before it in its own season); `first` is the one that started the segment.
    """

    dealer_path: ClassVar[str] = "calibration__sensor__dealer"
    for_reviewers: ClassVar[bool] = True

    calibration = models.OneToOneField(
        Calibration,
        on_delete=models.CASCADE,
        primary_key=True,
        db_constraint=False,
        related_name="judgement",
    )
    # Who, when and with what, once more: siblings are found by one index, without the record.
    sensor = models.ForeignKey(
        Sensor, on_delete=models.CASCADE, db_constraint=False, db_index=False, related_name="+"
    )
    performed_at = models.DateTimeField()
    reference = models.ForeignKey(
        ReferenceStandard,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        db_constraint=False,
        db_index=False,
        related_name="+",
    )
    season = models.SmallIntegerField()
    segment = models.PositiveSmallIntegerField(help_text="Counted from 1 over a sensor's life.")
    verdict = models.CharField(max_length=8, choices=Verdict.choices)
    previous = models.ForeignKey(
        Calibration,
        on_delete=models.CASCADE,
        null=True,
        blank=True,
        db_constraint=False,
        db_index=False,
        related_name="+",
    )
    slope_change_pct = models.FloatField(null=True, blank=True)
    u_slope_change_pct = models.FloatField(null=True, blank=True)
    offset_change = models.FloatField(null=True, blank=True)
    u_offset_change = models.FloatField(null=True, blank=True)
    en_slope = models.FloatField(null=True, blank=True)
    en_offset = models.FloatField(null=True, blank=True)
    p_out_slope = models.FloatField(null=True, blank=True)
    p_out_offset = models.FloatField(null=True, blank=True)
    first = models.ForeignKey(
        Calibration,
        on_delete=models.CASCADE,
        null=True,
        blank=True,
        db_constraint=False,
        db_index=False,
        related_name="+",
    )
    first_slope_change_pct = models.FloatField(null=True, blank=True)
    first_u_slope_change_pct = models.FloatField(null=True, blank=True)
    first_offset_change = models.FloatField(null=True, blank=True)
    first_u_offset_change = models.FloatField(null=True, blank=True)
    first_en_slope = models.FloatField(null=True, blank=True)
    first_en_offset = models.FloatField(null=True, blank=True)
    first_p_out_slope = models.FloatField(null=True, blank=True)
    first_p_out_offset = models.FloatField(null=True, blank=True)
    # Against what the whole history leads one to expect; the day's common change is taken off.
    expected_slope = models.FloatField(null=True, blank=True)
    u_expected_slope = models.FloatField(null=True, blank=True)
    expected_offset = models.FloatField(null=True, blank=True)
    u_expected_offset = models.FloatField(null=True, blank=True)
    expected_slope_change_pct = models.FloatField(null=True, blank=True)
    expected_u_slope_change_pct = models.FloatField(null=True, blank=True)
    expected_offset_change = models.FloatField(null=True, blank=True)
    expected_u_offset_change = models.FloatField(null=True, blank=True)
    expected_en_slope = models.FloatField(null=True, blank=True)
    expected_en_offset = models.FloatField(null=True, blank=True)
    expected_p_out_slope = models.FloatField(null=True, blank=True)
    expected_p_out_offset = models.FloatField(null=True, blank=True)
    jump_probability = models.FloatField(null=True, blank=True)
    trusted = models.BooleanField(
        default=True, help_text="False: judged, but nothing is learnt from it."
    )
    # What the calibrations of one day and reference share, as all of them show it.
    common_change_pct = models.FloatField(null=True, blank=True)
    u_common_change_pct = models.FloatField(null=True, blank=True)
    common_members = models.PositiveIntegerField(default=0)
    reference_moved = models.FloatField(
        null=True, blank=True, help_text="Probability that the reference moved."
    )
    reference_returned_pct = models.FloatField(
        null=True,
        blank=True,
        help_text="By how much the reference of the one before was off, and is so no more, in %.",
    )
    # The step from the calibration before, which siblings' common changes are made from.
    step = models.FloatField(null=True, blank=True, help_text="Relative change of slope.")
    u_step = models.FloatField(
        null=True, blank=True, help_text="Its standard uncertainty without the references'."
    )
    step_reference = models.BigIntegerField(
        null=True, blank=True, help_text="The reference before; -1: the unit's own weight."
    )
    slope_pct_per_year = models.FloatField(null=True, blank=True)
    expected_crossing = models.DateField(null=True, blank=True)
    earliest_crossing = models.DateField(null=True, blank=True)
    slope_tolerance_pct = models.FloatField()
    offset_tolerance = models.FloatField()
    worst_error_pct = models.FloatField(
        null=True,
        blank=True,
        help_text="Largest error that the operator felt at a setpoint, in % of the setpoint.",
    )
    causes = models.JSONField(default=list)
    # A column of its own: an index that looks into `causes` would be written with every change.
    likeliest_cause = models.GeneratedField(
        expression=KT("causes__0__code"),
        output_field=models.CharField(max_length=40),
        db_persist=True,
    )
    method = models.CharField(max_length=40)

    class Meta:
        ordering = ("calibration",)
        indexes = [
            models.Index(
                fields=["likeliest_cause"],
                condition=Q(likeliest_cause__isnull=False),
                name="judgement_cause",
            ),
            # The steps of a day's or a season's siblings, from the index alone.
            models.Index(
                fields=["reference", "performed_at"],
                include=["sensor", "step_reference", "season", "step", "u_step"],
                condition=Q(step__isnull=False),
                name="judgement_company",
            ),
            # Those whose reference was another one than before: of a season, not of a day.
            models.Index(
                fields=["reference", "step_reference", "season"],
                condition=_CHANGED_REFERENCE,
                name="judgement_changed",
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.verdict


class StaleSensor(models.Model):
    """A sensor whose verdicts must be made again: something that they rest on has changed."""

    sensor = models.OneToOneField(
        Sensor, on_delete=models.CASCADE, primary_key=True, related_name="+"
    )
    since = models.DateTimeField()
    why = models.CharField(max_length=80)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"sensor {self.sensor_id}: {self.why}"


class DueState(ScopedModel):
    """The day on which a sensor is due, and what decided it."""

    dealer_path: ClassVar[str] = "sensor__dealer"

    class Decided(models.TextChoices):
        """What made it due on that day."""

        NEVER = "never_calibrated", "never calibrated here"
        INTERVAL = "interval", "its interval ends"
        RELIABILITY = "reliability", "sensors of its model stay in tolerance no longer"
        CROSSING = "crossing", "it is expected to leave its tolerance"
        SEASON = "season", "the season starts"

    sensor = models.OneToOneField(
        Sensor, on_delete=models.CASCADE, primary_key=True, related_name="due"
    )
    due_on = models.DateField(db_index=True)
    decided_by = models.CharField(max_length=16, choices=Decided.choices)
    last_calibration = models.ForeignKey(
        Calibration, on_delete=models.CASCADE, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ("due_on", "sensor")

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.sensor}, due on {self.due_on}"
