"""What scans read and keep of a sensor: its calibrations in one row, and who has to be counted."""

from typing import ClassVar

from django.db import models
from django.db.models import Value

from fleet.models import Sensor


class PackedHistory(models.Model):
    """A sensor's calibrations in one row, as the scan reads them, and a digest of its verdicts.

    Kept by whoever judges the sensor; where the row is missing, forgotten (without calibrations),
    or laid out by another release, the records are read instead and it is written again. It holds
    the records whose chain number is not above `calibrations`; of a marked sensor there may be
    more by now. `verify` rebuilds and compares it.
    """

    FORGOTTEN: ClassVar = {"calibrations": 0, "heads": b"", "points": b""}  # the digests stay

    sensor = models.OneToOneField(
        Sensor, on_delete=models.CASCADE, primary_key=True, related_name="pack"
    )
    company = models.BigIntegerField(
        db_index=True,
        help_text="The dealer whose references it was calibrated with; of several, the first.",
    )
    calibrations = models.PositiveIntegerField()
    heads = models.BinaryField(help_text="What is said once for each calibration.")
    points = models.BinaryField(help_text="Loads and readings, float64.")
    outcome = models.BigIntegerField(
        db_default=0, help_text="Digest of its stored fits and judgements, as their sum."
    )
    digests = models.BinaryField(
        db_default=Value(b""), help_text="Of each stored line and judgement, eight bytes each."
    )

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.calibrations} of sensor {self.sensor_id}"


class FurtherCompany(models.Model):
    """Another dealer whose references a sensor was calibrated with: it was resold or moved."""

    sensor = models.ForeignKey(Sensor, on_delete=models.CASCADE, related_name="+")
    company = models.BigIntegerField(db_index=True)

    class Meta:
        constraints = [models.UniqueConstraint("sensor", "company", name="further_company_once")]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"sensor {self.sensor_id} with dealer {self.company}"


class UncountedSensor(models.Model):
    """A sensor whose verdicts changed since its lot was counted, and what it adds to it now."""

    sensor = models.OneToOneField(
        Sensor, on_delete=models.CASCADE, primary_key=True, related_name="+"
    )
    since = models.DateTimeField()
    looks = models.PositiveIntegerField(
        null=True, help_text="As in `LotLooks`, but none may be; NULL: to be read."
    )
    first_out = models.UUIDField(null=True)
    p_out = models.FloatField(null=True)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"sensor {self.sensor_id}, not counted since {self.since}"
