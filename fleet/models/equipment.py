"""Machines, sensors, and which sensor sits where, since when."""

from typing import ClassVar

from django.core.validators import MinValueValidator, RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Upper

from fleet import units
from fleet.models.folded import FoldedText
from fleet.models.people import Customer, Dealer
from fleet.models.scoped import EVERYBODY, ScopedModel

SERIAL_ACCEPTED = "letters A-Z, digits and - . _ / #, at most 40, no spaces at the ends"
SERIAL_PATTERN = r"^[A-Za-z0-9](?:[A-Za-z0-9 ._/#-]{0,38}[A-Za-z0-9._/#-])?\Z"
SERIAL = RegexValidator(SERIAL_PATTERN, f"Not a serial. Accepted: {SERIAL_ACCEPTED}.")
POSITION = RegexValidator(
    r"^[^\s\x00-\x1f](?:[^\x00-\x1f]{0,22}[^\s\x00-\x1f])?\Z",
    "Name the position in 1 to 24 characters.",
)


class MachineModel(ScopedModel):
    """A make and type of seeding machine."""

    dealer_path: ClassVar[str] = EVERYBODY

    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(
        max_length=20,
        default="planter",
        choices=[
            ("planter", "planter"),
            ("air_drill", "air drill"),
            ("disc_drill", "disc drill"),
            ("other", "other"),
        ],
    )
    rows = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1)])

    class Meta:
        ordering = ("name",)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.name


class Machine(ScopedModel):
    """One seeding machine; it may be resold, its technical history stays with it."""

    dealer_path: ClassVar[str] = "customer__dealer"
    for_reviewers: ClassVar[bool] = True

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="machines")
    model = models.ForeignKey(MachineModel, on_delete=models.PROTECT, related_name="machines")
    serial = models.CharField(max_length=40, validators=[SERIAL])
    name = models.CharField(max_length=80, blank=True, help_text="What its owner calls it.")
    search = FoldedText("serial", "name")

    class Meta:
        ordering = ("serial", "pk")
        constraints = [
            models.UniqueConstraint(
                Upper("serial"),
                name="machine_serial_once",
                violation_error_code="unique",
                violation_error_message="A machine with this serial is already registered.",
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.serial} {self.name}".strip()


class SensorModel(ScopedModel):
    """A type of load cell with its rated values."""

    dealer_path: ClassVar[str] = EVERYBODY

    name = models.CharField(max_length=80, unique=True)
    rated_load = models.FloatField(validators=[MinValueValidator(1e-6)])
    load_unit = models.CharField(max_length=8, choices=units.choices(units.LOAD))
    reading_unit = models.CharField(
        max_length=8, default="count", choices=units.choices(units.READING)
    )
    reading_min = models.FloatField(
        null=True, blank=True, help_text="Lowest reading that the converter can give."
    )
    reading_max = models.FloatField(
        null=True, blank=True, help_text="Highest reading that the converter can give."
    )
    nominal_slope = models.FloatField(
        null=True,
        blank=True,
        help_text="Reading per load unit of a new cell; its sign says whether readings rise.",
    )
    nominal_offset = models.FloatField(
        null=True, blank=True, help_text="Reading of a new cell at no load."
    )
    repeatability_pct = models.FloatField(
        default=0.15,
        validators=[MinValueValidator(0.0)],
        help_text="Standard deviation of one reading in the field, in % of rated load.",
    )

    class Meta:
        ordering = ("name",)
        constraints = [
            models.CheckConstraint(
                name="sensor_model_rated_load_positive", condition=Q(rated_load__gt=0)
            ),
            models.CheckConstraint(
                name="sensor_model_reading_range",
                condition=Q(reading_min__isnull=True)
                | Q(reading_max__isnull=True)
                | Q(reading_max__gt=F("reading_min")),
                violation_error_message="reading_max must be greater than reading_min.",
            ),
            models.CheckConstraint(
                name="sensor_model_repeatability", condition=Q(repeatability_pct__gte=0)
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.name


class Sensor(ScopedModel):
    """One load cell, known by its serial, with the numbers on its tag."""

    dealer_path: ClassVar[str] = "dealer"
    for_reviewers: ClassVar[bool] = True

    dealer = models.ForeignKey(
        Dealer,
        on_delete=models.PROTECT,
        related_name="sensors",
        help_text="Who looks after it now; follows the machine when it is installed or resold.",
    )
    serial = models.CharField(max_length=40, validators=[SERIAL])
    model = models.ForeignKey(SensorModel, on_delete=models.PROTECT, related_name="sensors")
    lot = models.CharField(max_length=40, blank=True, db_index=True)
    tag_zero_reading = models.FloatField(null=True, blank=True)
    tag_span_reading = models.FloatField(null=True, blank=True)
    tag_span_load = models.FloatField(null=True, blank=True)
    tag_load_unit = models.CharField(max_length=8, blank=True, choices=units.choices(units.LOAD))

    class Meta:
        ordering = ("serial", "pk")
        # A page of the whole fleet, and of one dealer's, however deep it lies.
        indexes = [
            models.Index(fields=["serial", "id"], name="sensor_page"),
            models.Index(fields=["dealer", "serial", "id"], name="sensor_page_of_dealer"),
        ]
        constraints = [
            models.UniqueConstraint(
                Upper("serial"),
                name="sensor_serial_once",
                violation_error_code="unique",
                violation_error_message="A sensor with this serial is already registered.",
            ),
            models.CheckConstraint(
                name="sensor_tag_whole_or_absent",
                condition=Q(
                    tag_zero_reading__isnull=True,
                    tag_span_reading__isnull=True,
                    tag_span_load__isnull=True,
                    tag_load_unit="",
                )
                | (
                    Q(
                        tag_zero_reading__isnull=False,
                        tag_span_reading__isnull=False,
                        tag_span_load__isnull=False,
                        tag_span_load__gt=0,
                    )
                    & ~Q(tag_load_unit="")
                ),
                violation_error_message=(
                    "A tag has a zero reading, a span reading, a span load above zero and its "
                    "unit, or nothing at all."
                ),
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.serial


class Installation(ScopedModel):
    """A sensor at a position of a machine, from a day on and up to (not including) a day."""

    dealer_path: ClassVar[str] = "sensor__dealer"
    for_reviewers: ClassVar[bool] = True

    sensor = models.ForeignKey(Sensor, on_delete=models.PROTECT, related_name="installations")
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="installations")
    position = models.CharField(max_length=24, validators=[POSITION])
    installed_on = models.DateField()
    removed_on = models.DateField(null=True, blank=True)
    start_is_inferred = models.BooleanField(
        default=False,
        help_text="Taken from the oldest imported record; an older one moves it.",
    )

    class Meta:
        ordering = ("sensor", "installed_on", "pk")
        constraints = [
            models.CheckConstraint(
                name="installation_ends_after_it_starts",
                condition=Q(removed_on__isnull=True) | Q(removed_on__gte=F("installed_on")),
                violation_error_message="It cannot be removed before it was installed.",
            ),
            models.UniqueConstraint(
                "sensor",
                condition=Q(removed_on__isnull=True),
                name="installation_open_once",
                violation_error_code="unique",
                violation_error_message="The sensor sits elsewhere: take it off there first.",
            ),
            models.UniqueConstraint(
                "machine",
                "position",
                condition=Q(removed_on__isnull=True),
                name="installation_position_open_once",
                violation_error_code="unique",
                violation_error_message="Another sensor sits at this position; remove it first.",
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.sensor} on {self.machine} at {self.position}"


class ChangedSeat(models.Model):
    """A sensor that was installed, moved, removed or resold since its due day was looked at.

    Only ever added, so that nobody who moves a sensor waits for another; whoever has looked at
    the rows deletes them by key.
    """

    sensor = models.ForeignKey(Sensor, on_delete=models.CASCADE, related_name="+", db_index=False)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"seat of {self.sensor_id}"
