"""What the fleet has taught of sensor models and their lots."""

from django.db import models

from fleet.models import SensorModel


class SensorModelNoise(models.Model):
    """What sound sensors of a model do by themselves, learnt from the fleet by a scan.

    Variances: of the relative slope and of the zero in rated loads; a year's walk, and what
    setting up anew adds to a calibration.
    """

    sensor_model = models.OneToOneField(
        SensorModel, on_delete=models.CASCADE, primary_key=True, related_name="noise"
    )
    walk_slope = models.FloatField()
    walk_zero = models.FloatField()
    extra_slope = models.FloatField()
    extra_zero = models.FloatField()
    calibrations = models.PositiveIntegerField(help_text="How many the model had then.")
    learnt_at = models.DateTimeField(null=True, blank=True, help_text="When they were counted.")
    steps = models.PositiveIntegerField(help_text="Calibrations that follow another one.")
    estimated = models.BooleanField(help_text="False: too few; the defaults stand.")
    method = models.CharField(max_length=40)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"noise of {self.sensor_model_id}"


class LotPrior(models.Model):
    """What a new sensor of a model and lot usually shows first, learnt by a scan.

    Readings of the sensor model and newtons; medians of the siblings' first calibrations and the
    variance of one about them.
    """

    sensor_model = models.ForeignKey(
        SensorModel, on_delete=models.CASCADE, related_name="lot_priors"
    )
    lot = models.CharField(max_length=40, blank=True)
    slope = models.FloatField()
    offset = models.FloatField()
    var_slope = models.FloatField()
    var_offset = models.FloatField()

    class Meta:
        constraints = [models.UniqueConstraint("sensor_model", "lot", name="lot_prior_once")]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"first numbers of {self.sensor_model_id} {self.lot}"


class ModelInterval(models.Model):
    """How long sensors of a model keep a target reliability, learnt from the fleet by a scan."""

    sensor_model = models.ForeignKey(
        SensorModel, on_delete=models.CASCADE, related_name="intervals"
    )
    target = models.FloatField(help_text="In-tolerance probability that is still to hold.")
    lower_days = models.FloatField(
        null=True, blank=True, help_text="Lower confidence bound; empty: too little is known."
    )
    longest_seen_days = models.FloatField(
        default=0.0, help_text="Beyond this nobody has looked: nothing is lengthened further."
    )
    confidence = models.FloatField()
    basis = models.CharField(max_length=12)
    outcomes = models.PositiveIntegerField()
    beyond = models.PositiveIntegerField(help_text="Outcomes that were out of tolerance.")
    calibrations = models.PositiveIntegerField(help_text="How many the model had then.")
    learnt_at = models.DateTimeField()
    applied = models.BooleanField(
        default=False, help_text="Whether the due days of its sensors were made again since."
    )
    method = models.CharField(max_length=40)

    class Meta:
        constraints = [
            models.UniqueConstraint("sensor_model", "target", name="model_interval_once")
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"interval of {self.sensor_model_id} at {self.target:g}"
