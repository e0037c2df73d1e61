"""Dealers, the people who work for them, and their customers."""

import zoneinfo
from typing import Any, ClassVar

from django.contrib.auth.models import AbstractUser
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import Q
from django.db.models.functions import Upper
from knox.models import AbstractAuthToken, AuthTokenManager

from fleet import seasons, units, workdays
from fleet.models.folded import FoldedText
from fleet.models.scoped import ScopedModel

CODE = RegexValidator(
    r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$",
    "Use 1 to 32 letters, digits, - or _ (A-Z, 0-9), beginning with a letter or digit.",
)


def check_timezone(name: str) -> None:
    """Refuse a name that is not in the IANA time zone database."""
    if name not in zoneinfo.available_timezones():
        raise ValidationError(f"{name!r} is not an IANA time zone; write it like Europe/Warsaw.")


def check_season_start(text: str) -> None:
    """Refuse a seeding start that is not a day of every year."""
    try:
        seasons.parse_start(text)
    except ValueError as wrong:
        raise ValidationError(
            f"{text!r} is not a seeding start: write MM-DD, a day that every year has."
        ) from wrong


def check_country(code: str) -> None:
    """Refuse a country whose public holidays are not known."""
    if code not in workdays.countries():
        raise ValidationError(
            f"{code!r} is no country that is known here: write two capitals, like PL (ISO 3166-1)."
        )


LATITUDE = [MinValueValidator(-90.0), MaxValueValidator(90.0)]
LONGITUDE = [MinValueValidator(-180.0), MaxValueValidator(180.0)]
WORKING_DAYS = RegexValidator(
    r"^1?2?3?4?5?6?7?$", "Write the days of the week in order, 1 for Monday to 7: 12345."
)
LANGUAGES = [("en", "English"), ("de", "Deutsch")]


class User(AbstractUser):  # type: ignore[django-manager-missing] # knox has no types
    """A person who signs in."""

    second_factor_since = models.DateTimeField(
        null=True, blank=True, editable=False, help_text="Since when a code is asked for, too."
    )

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Save; with a new password, what the old one opened is closed."""
        changed = bool(self.pk) and getattr(self, "_password", None) is not None
        super().save(*args, **kwargs)
        if changed:
            self.auth_token_set.all().delete()


class AccessToken(AbstractAuthToken):  # type: ignore[misc] # knox has no types
    """A token of the REST interface: kept as a hash, expiring, with a name its owner knows."""

    class Scope(models.TextChoices):
        """What it lets its bearer do of what the person may."""

        ALL = "all", "all that the person may"
        READ = "read", "only read"

    name = models.CharField(max_length=80, blank=True)
    scope = models.CharField(max_length=8, choices=Scope.choices, default=Scope.ALL)
    dealer = models.ForeignKey(
        "fleet.Dealer", on_delete=models.CASCADE, null=True, blank=True, related_name="+"
    )
    objects = AuthTokenManager()

    class Meta:
        verbose_name = "access token"
        ordering = ("-created",)


class Dealer(ScopedModel):
    """A dealership with a service department of its own."""

    dealer_path: ClassVar[str] = "pk"
    for_reviewers: ClassVar[bool] = True

    code = models.CharField(max_length=32, unique=True, validators=[CODE])
    name = models.CharField(max_length=120)
    email = models.EmailField(
        blank=True, help_text="Where the dealer's reminders go; empty: to its service managers."
    )
    timezone = models.CharField(max_length=64, default="UTC", validators=[check_timezone])
    load_unit = models.CharField(max_length=8, default="kgf", choices=units.choices(units.LOAD))
    pressure_unit = models.CharField(
        max_length=8, default="bar", choices=units.choices(units.PRESSURE)
    )
    season_start = models.CharField(
        max_length=5,
        default="03-20",
        validators=[check_season_start],
        help_text="Month and day on which seeding starts here: MM-DD.",
    )
    reminder_lead_days = models.PositiveSmallIntegerField(
        default=30, help_text="How many days before its due day a sensor is announced."
    )
    country = models.CharField(
        max_length=2,
        blank=True,
        validators=[check_country],
        help_text="Whose holidays nobody works on: two capitals (ISO 3166-1); empty: none.",
    )
    subdivision = models.CharField(
        max_length=16, blank=True, help_text="The part of the country, where its holidays differ."
    )
    language = models.CharField(
        max_length=5, default="en", choices=LANGUAGES, help_text="In which its mails are written."
    )
    tells_customers = models.BooleanField(
        default=False, help_text="Customers get a note before a visit."
    )
    latitude = models.FloatField(
        null=True, blank=True, validators=LATITUDE, help_text="Degrees; where technicians start."
    )
    longitude = models.FloatField(null=True, blank=True, validators=LONGITUDE)
    travel_speed_kmh = models.FloatField(
        default=50.0,
        validators=[MinValueValidator(5.0), MaxValueValidator(200.0)],
        help_text="Along the straight line between two places, in km/h.",
    )
    minutes_per_machine = models.PositiveSmallIntegerField(
        default=30,
        validators=[MaxValueValidator(600)],
        help_text="Work on a machine before and after its sensors.",
    )
    minutes_per_sensor = models.PositiveSmallIntegerField(
        default=20, validators=[MinValueValidator(1), MaxValueValidator(600)]
    )

    class Meta:
        ordering = ("code",)
        constraints = [
            models.CheckConstraint(
                name="dealer_position_whole",
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(latitude__isnull=False, longitude__isnull=False),
                violation_error_message="Give both latitude and longitude, or neither.",
            )
        ]

    def clean(self) -> None:
        """Refuse a part that its country does not have."""
        parts = workdays.countries().get(self.country, ())
        if self.subdivision and self.subdivision not in parts:
            accepted = f"accepted: {', '.join(parts)}" if parts else "leave it empty"
            message = f"{self.subdivision!r} is no part of that country; {accepted}."
            raise ValidationError({"subdivision": message})

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.name} ({self.code})"

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The dealer's time zone."""
        return zoneinfo.ZoneInfo(self.timezone)


class Role(models.TextChoices):
    """What a person is, at a dealer or across dealers."""

    TECHNICIAN = "technician", "technician"
    SERVICE_MANAGER = "service_manager", "service manager"
    WARRANTY_REVIEWER = "warranty_reviewer", "warranty reviewer"
    ADMINISTRATOR = "administrator", "administrator"


DEALER_ROLES = (Role.TECHNICIAN, Role.SERVICE_MANAGER)


class Membership(ScopedModel):
    """One person's role: at one dealer, or across all of them."""

    dealer_path: ClassVar[str] = "dealer"

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    dealer = models.ForeignKey(
        Dealer, on_delete=models.CASCADE, null=True, blank=True, related_name="memberships"
    )
    role = models.CharField(max_length=20, choices=Role.choices)
    # What follows concerns a technician's days; the plan reads it.
    hours_per_day = models.FloatField(
        default=8.0,
        validators=[MinValueValidator(0.0), MaxValueValidator(16.0)],
        help_text="A technician's hours on a working day, drives included.",
    )
    working_days = models.CharField(
        max_length=7,
        blank=True,
        validators=[WORKING_DAYS],
        help_text="Days of the week in order, 1 for Monday to 7; empty: the country's.",
    )
    latitude = models.FloatField(
        null=True,
        blank=True,
        validators=LATITUDE,
        help_text="Degrees; where the technician starts and ends. Empty: at the dealer's.",
    )
    longitude = models.FloatField(null=True, blank=True, validators=LONGITUDE)

    class Meta:
        ordering = ("user", "dealer")
        constraints = [
            models.CheckConstraint(
                name="membership_position_whole",
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(latitude__isnull=False, longitude__isnull=False),
                violation_error_message="Give both latitude and longitude, or neither.",
            ),
            models.CheckConstraint(
                name="membership_role_fits_dealer",
                condition=Q(role__in=DEALER_ROLES, dealer__isnull=False)
                | (~Q(role__in=DEALER_ROLES) & Q(dealer__isnull=True)),
                violation_error_message=(
                    "Technicians and service managers belong to a dealer; "
                    "warranty reviewers and administrators to none."
                ),
            ),
            models.UniqueConstraint(
                fields=["user", "dealer", "role"],
                name="membership_once_per_dealer",
                violation_error_code="unique",
            ),
            models.UniqueConstraint(
                "user", "role", condition=Q(dealer__isnull=True), name="membership_once_global"
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.user}: {self.get_role_display()}"


class Customer(ScopedModel):
    """Somebody who owns machines that a dealer looks after."""

    dealer_path: ClassVar[str] = "dealer"
    for_reviewers: ClassVar[bool] = True  # the name; contact data is withheld by its readers

    dealer = models.ForeignKey(Dealer, on_delete=models.PROTECT, related_name="customers")
    name = models.CharField(max_length=120)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    latitude = models.FloatField(
        null=True, blank=True, validators=LATITUDE, help_text="Degrees; where its machines stand."
    )
    longitude = models.FloatField(null=True, blank=True, validators=LONGITUDE)
    search = FoldedText("name")

    class Meta:
        ordering = ("name", "pk")
        constraints = [
            models.CheckConstraint(
                name="customer_position_whole",
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(latitude__isnull=False, longitude__isnull=False),
                violation_error_message="Give both latitude and longitude, or neither.",
            ),
            models.UniqueConstraint(
                "dealer",
                Upper("name"),
                name="customer_name_once_per_dealer",
                violation_error_code="unique",
                violation_error_message="This dealer already has a customer of that name.",
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.name
