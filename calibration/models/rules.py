"""What a calibration is judged by: reference standards and tolerance policies."""

from typing import ClassVar

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from fleet import units
from fleet.models import Dealer, ScopedModel, SensorModel

PERCENT = [MinValueValidator(0.0), MaxValueValidator(100.0)]
PROBABILITY = [MinValueValidator(0.0), MaxValueValidator(1.0)]


def check_setpoints(value: object) -> None:
    """Refuse anything but a list of up to ten positive numbers."""
    good = (
        isinstance(value, list)
        and len(value) <= 10
        and all(
            isinstance(item, int | float) and not isinstance(item, bool) and 0 < item < 1e9
            for item in value
        )
    )
    if not good:
        raise ValidationError("Give a list of at most ten loads above zero, like [50, 100].")


class ReferenceStandard(ScopedModel):
    """What stood on the wheel, or between: weights, a scale, a transfer cell."""

    dealer_path: ClassVar[str] = "dealer"
    for_reviewers: ClassVar[bool] = True

    dealer = models.ForeignKey(Dealer, on_delete=models.PROTECT, related_name="references")
    name = models.CharField(max_length=80)
    kind = models.CharField(
        max_length=20,
        default="weight",
        choices=[
            ("weight", "weights"),
            ("scale", "platform scale"),
            ("transfer_cell", "transfer load cell"),
            ("other", "other"),
        ],
    )
    serial = models.CharField(max_length=40, blank=True)
    relative_uncertainty_pct = models.FloatField(
        default=0.5,
        validators=PERCENT,
        help_text="Relative standard uncertainty (k = 1) of the loads it gives, in %.",
    )
    certificate = models.CharField(max_length=120, blank=True)
    valid_until = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ("name", "pk")
        constraints = [
            models.UniqueConstraint(
                "dealer",
                "name",
                name="reference_name_once_per_dealer",
                violation_error_code="unique",
                violation_error_message="This dealer already has a reference of that name.",
            ),
            models.CheckConstraint(
                name="reference_uncertainty",
                condition=Q(relative_uncertainty_pct__gte=0, relative_uncertainty_pct__lte=100),
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.name


class TolerancePolicy(ScopedModel):
    """What may change between seasons, and how sure one must be to say that it did.

    The policy of a dealer and a sensor model goes before the model's, the model's before the
    dealer's, the dealer's before the site's (neither named), that before the defaults here.
    """

    dealer_path: ClassVar[str] = "dealer"
    for_reviewers: ClassVar[bool] = True
    shared_without_dealer: ClassVar[bool] = True

    sensor_model = models.ForeignKey(
        SensorModel, on_delete=models.PROTECT, null=True, blank=True, related_name="policies"
    )
    dealer = models.ForeignKey(
        Dealer, on_delete=models.PROTECT, null=True, blank=True, related_name="policies"
    )
    slope_tolerance_pct = models.FloatField(default=3.0, validators=PERCENT)
    offset_tolerance_pct = models.FloatField(
        default=2.0, validators=PERCENT, help_text="In % of rated load."
    )
    flag_probability = models.FloatField(
        default=0.5,
        validators=PROBABILITY,
        help_text="Flag when the change is beyond tolerance with at least this probability.",
    )
    watch_probability = models.FloatField(default=0.3, validators=PROBABILITY)
    target_reliability = models.FloatField(default=0.9, validators=PROBABILITY)
    default_interval_days = models.PositiveSmallIntegerField(
        default=365, validators=[MinValueValidator(1)]
    )
    longest_interval_days = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(3650)],
        help_text=(
            "How far the sensor model's record may lengthen the interval; empty: it only shortens."
        ),
    )
    setpoints = models.JSONField(default=list, blank=True, validators=[check_setpoints])
    load_unit = models.CharField(max_length=8, default="kgf", choices=units.choices(units.LOAD))

    class Meta:
        ordering = ("pk",)
        verbose_name_plural = "tolerance policies"
        constraints = [
            models.UniqueConstraint(
                "sensor_model",
                "dealer",
                name="policy_once",
                violation_error_code="unique",
                condition=Q(sensor_model__isnull=False, dealer__isnull=False),
            ),
            models.UniqueConstraint(
                "sensor_model",
                name="policy_once_per_model",
                violation_error_code="unique",
                condition=Q(sensor_model__isnull=False, dealer__isnull=True),
            ),
            models.UniqueConstraint(
                "dealer",
                name="policy_once_per_dealer",
                violation_error_code="unique",
                condition=Q(sensor_model__isnull=True, dealer__isnull=False),
            ),
            models.UniqueConstraint(
                models.Value(1),
                name="policy_once_for_the_site",
                violation_error_code="unique",
                condition=Q(sensor_model__isnull=True, dealer__isnull=True),
            ),
            models.CheckConstraint(
                name="policy_probabilities",
                condition=Q(
                    watch_probability__gt=0,
                    flag_probability__lt=1,
                    flag_probability__gte=F("watch_probability"),
                    target_reliability__gt=0,
                    target_reliability__lt=1,
                ),
                violation_error_message=(
                    "Probabilities lie between 0 and 1; the one to watch is not above the one "
                    "to flag."
                ),
            ),
            models.CheckConstraint(
                name="policy_longest_interval",
                condition=Q(longest_interval_days__isnull=True)
                | Q(longest_interval_days__gte=F("default_interval_days")),
                violation_error_message=(
                    "The longest interval is not shorter than the default interval."
                ),
            ),
            models.CheckConstraint(
                name="policy_tolerances",
                condition=Q(slope_tolerance_pct__gt=0, offset_tolerance_pct__gt=0),
                violation_error_message="A tolerance is greater than zero.",
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        whose = " / ".join(str(part) for part in (self.sensor_model, self.dealer) if part)
        return f"policy for {whose or 'the whole site'}"
