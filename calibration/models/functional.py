"""Functional tests: does the displayed force arrive at the commanded setpoints? Sealed."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from calibration.models.record import SealedRecord
from fleet import units
from fleet.models import Installation, ScopedModel


class Observed(models.TextChoices):
    """How the row units rode at a setpoint."""

    STEADY = "steady", "steady"
    BOUNCING = "bouncing", "bouncing (too little force)"
    LIFTING = "lifting", "frame lifting (too much force)"


class FunctionalTest(SealedRecord):
    """One functional test of an installed sensor, two or more setpoints."""

    installation = models.ForeignKey(
        Installation, on_delete=models.PROTECT, related_name="functional_tests"
    )
    load_unit = models.CharField(max_length=8, choices=units.choices(units.LOAD))
    pressure_unit = models.CharField(max_length=8, choices=units.choices(units.PRESSURE))

    class Meta:
        ordering = ("-performed_at", "-id")
        indexes = [
            models.Index(fields=["sensor", "performed_at", "id"], name="functional_history"),
            models.Index(fields=["-performed_at", "-id"], name="functional_newest"),
        ]
        constraints = [
            models.UniqueConstraint("sensor", "chain_number", name="functional_chain"),
            models.CheckConstraint(
                name="functional_supersedes_with_reason",
                condition=Q(supersedes__isnull=True) | ~Q(supersede_reason=""),
                violation_error_message="Say why the earlier record is superseded.",
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.sensor_serial} {self.performed_at:%Y-%m-%d}"


class SetpointStep(models.Model):
    """One commanded load and what came of it."""

    functional_test = models.ForeignKey(
        FunctionalTest, on_delete=models.PROTECT, related_name="steps", db_index=False
    )
    number = models.PositiveSmallIntegerField()
    commanded = models.FloatField()
    displayed_mean = models.FloatField()
    displayed_min = models.FloatField(null=True, blank=True)
    displayed_max = models.FloatField(null=True, blank=True)
    pressure = models.FloatField(null=True, blank=True)
    observed = models.CharField(max_length=10, choices=Observed.choices, default=Observed.STEADY)

    class Meta:
        ordering = ("functional_test", "number")
        constraints = [
            models.UniqueConstraint("functional_test", "number", name="setpoint_step_once")
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.commanded} -> {self.displayed_mean}"


class FunctionalVerdict(ScopedModel):
    """What follows from a functional test; derived, may be computed again."""

    dealer_path: ClassVar[str] = "functional_test__sensor__dealer"
    for_reviewers: ClassVar[bool] = True

    functional_test = models.OneToOneField(
        FunctionalTest, on_delete=models.CASCADE, primary_key=True, related_name="outcome"
    )
    verdict = models.CharField(max_length=8, choices=[("pass", "passed"), ("fail", "failed")])
    worst_error_pct = models.FloatField(null=True, blank=True)
    findings = models.JSONField(default=list)
    method = models.CharField(max_length=40)

    class Meta:
        ordering = ("functional_test",)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.verdict
