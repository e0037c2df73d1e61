"""Calibrations: what was measured and said. Sealed: never changed, never deleted."""

import uuid
from typing import ClassVar

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from calibration.models.rules import ReferenceStandard
from fleet import units
from fleet.models import Dealer, Installation, ScopedModel, Sensor


class Reason(models.TextChoices):
    """Why the calibration was made; the first, third and fourth start a segment."""

    COMMISSIONING = "commissioning", "commissioning"
    SEASONAL = "seasonal", "seasonal"
    REPLACEMENT = "replacement", "replacement"
    REPAIR = "repair", "repair"
    DISPUTE = "dispute", "dispute"


STARTS_SEGMENT = (Reason.COMMISSIONING, Reason.REPLACEMENT, Reason.REPAIR)


class Stage(models.TextChoices):
    """Before or after an adjustment."""

    AS_FOUND = "as_found", "as found"
    AS_LEFT = "as_left", "as left"


class Direction(models.TextChoices):
    """Whether the load was reached from below or from above."""

    UP = "up", "up"
    DOWN = "down", "down"


# How the calibrations of one sensor follow each other: in the order of measurement; where two name
# the same moment, what was found before what was left, then as they were recorded.
IN_TIME = ("performed_at", "stage", "chain_number")


def in_time(path: str = "", *, newest_first: bool = False) -> tuple[str, ...]:
    """Return `IN_TIME` as an ordering of rows that reach the calibration by `path`."""
    sign = "-" if newest_first else ""
    return tuple(f"{sign}{path}{name}" for name in IN_TIME)


class SealedRecord(ScopedModel):
    """Who, where, when, and the digests that prove that nothing was altered.

    `content_digest` is the SHA-256 of the content alone (two loads of one record agree in it);
    `digest` chains it to the sensor's record before it. Serials and names are kept as they were
    at the time, beside the keys.
    """

    dealer_path: ClassVar[str] = "sensor__dealer"
    for_reviewers: ClassVar[bool] = True

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    sensor = models.ForeignKey(
        Sensor, on_delete=models.PROTECT, related_name="%(class)ss", db_index=False
    )
    dealer = models.ForeignKey(
        Dealer, on_delete=models.PROTECT, related_name="+", help_text="Who recorded it."
    )
    sensor_serial = models.CharField(max_length=40)
    machine_serial = models.CharField(max_length=40, blank=True)
    position = models.CharField(max_length=24, blank=True)
    performed_at = models.DateTimeField()
    technician = models.CharField(max_length=80, blank=True)
    note = models.TextField(max_length=2000, blank=True)
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    supersede_reason = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    chain_number = models.PositiveIntegerField()
    # What was said in free words enters the digest as a salted digest of its own, so that it can
    # be erased: the salt goes with the words, `words_digest` stays. Without either: version 1.
    words_salt = models.CharField(max_length=32, blank=True, default="", db_default="")
    words_digest = models.CharField(max_length=64, blank=True, default="", db_default="")
    content_digest = models.CharField(max_length=64)
    digest = models.CharField(max_length=64)

    class Meta:
        abstract = True


class Calibration(SealedRecord):
    """One calibration: at least two loads and their readings."""

    installation = models.ForeignKey(
        Installation, on_delete=models.PROTECT, null=True, blank=True, related_name="calibrations"
    )
    reason = models.CharField(max_length=16, choices=Reason.choices, default=Reason.SEASONAL)
    stage = models.CharField(max_length=8, choices=Stage.choices, default=Stage.AS_FOUND)
    reference = models.ForeignKey(
        ReferenceStandard,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="calibrations",
        help_text="None: the unit's own weight.",
    )
    reference_name = models.CharField(max_length=80, blank=True)
    load_unit = models.CharField(max_length=8, choices=units.choices(units.LOAD))
    reading_unit = models.CharField(max_length=8, choices=units.choices(units.READING))
    temperature_c = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(-60.0), MaxValueValidator(80.0)]
    )
    hydraulic_pressure = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(0.0)]
    )
    pressure_unit = models.CharField(
        max_length=8, blank=True, choices=units.choices(units.PRESSURE)
    )

    class Meta:
        ordering = ("-performed_at", "-id")
        # The first serves every read of one sensor's history in order of measurement.
        indexes = [
            models.Index(fields=["sensor", *IN_TIME], name="calibration_in_time"),
            models.Index(fields=["-performed_at", "-id"], name="calibration_newest"),
            models.Index(fields=["recorded_at"], name="calibration_recorded"),
        ]
        constraints = [
            models.UniqueConstraint("sensor", "chain_number", name="calibration_chain"),
            models.CheckConstraint(
                name="calibration_supersedes_with_reason",
                condition=Q(supersedes__isnull=True) | ~Q(supersede_reason=""),
                violation_error_message="Say why the earlier record is superseded.",
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.sensor_serial} {self.performed_at:%Y-%m-%d}"


class CalibrationPoint(models.Model):
    """A load and the reading at it, in the units of its calibration, exactly as typed."""

    calibration = models.ForeignKey(
        Calibration, on_delete=models.PROTECT, related_name="points", db_index=False
    )
    number = models.PositiveSmallIntegerField()
    load = models.FloatField()
    reading = models.FloatField()
    direction = models.CharField(max_length=4, choices=Direction.choices, default=Direction.UP)

    class Meta:
        ordering = ("calibration", "number")
        constraints = [
            models.UniqueConstraint("calibration", "number", name="calibration_point_once")
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.load} -> {self.reading}"
