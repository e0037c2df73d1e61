"""Looks at sensors counted by lot: what `fleetwide` compares lots by. May be counted again."""

from django.db import models
from django.db.models import Q

from calibration.models.record import Calibration
from fleet.models import Sensor, SensorModel


class LotCount(models.Model):
    """What the looks at a lot's sensors came to; the sum of its `LotLooks`."""

    sensor_model = models.ForeignKey(
        SensorModel, on_delete=models.CASCADE, related_name="lot_counts"
    )
    lot = models.CharField(max_length=40)
    sensors = models.PositiveIntegerField(default=0, help_text="How many were looked at.")
    looks = models.PositiveIntegerField(default=0)
    out = models.PositiveIntegerField(default=0, help_text="Sensors that were found out.")

    class Meta:
        constraints = [models.UniqueConstraint("sensor_model", "lot", name="lot_count_once")]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"lot {self.lot} of {self.sensor_model_id}"


class LotLooks(models.Model):
    """What one sensor adds to its lot: its looks up to the one at which it was first found out."""

    sensor = models.OneToOneField(
        Sensor, on_delete=models.CASCADE, primary_key=True, related_name="+"
    )
    lot_count = models.ForeignKey(
        LotCount, on_delete=models.CASCADE, related_name="+", db_index=False
    )
    looks = models.PositiveIntegerField()
    first_out = models.ForeignKey(
        Calibration,
        on_delete=models.CASCADE,
        null=True,
        blank=True,
        db_constraint=False,
        db_index=False,
        related_name="+",
    )
    p_out = models.FloatField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(
                fields=["lot_count", "sensor"],
                name="lot_looks_out",
                condition=Q(first_out__isnull=False),
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.looks} looks at sensor {self.sensor_id}"


class LotsCounted(models.Model):
    """One row, which whoever counts holds: when something was last counted into the lots."""

    counted_at = models.DateTimeField()

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"lots counted {self.counted_at:%Y-%m-%d %H:%M}"
