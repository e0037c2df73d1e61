"""Dealers, the people who work for them, and their customers."""

import zoneinfo
from typing import ClassVar

from django.contrib.auth.models import AbstractUser
from django.core.exceptions import ValidationError
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import Q
from django.db.models.functions import Upper
from knox.models import AbstractAuthToken, AuthTokenManager

from fleet import seasons, units
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


class User(AbstractUser):  # type: ignore[django-manager-missing] # knox has no types
    """A person who signs in."""


class AccessToken(AbstractAuthToken):  # type: ignore[misc] # knox has no types
    """A token of the REST interface: kept as a hash, expiring, with a name its owner knows."""

    name = models.CharField(max_length=80, blank=True)
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

    class Meta:
        ordering = ("code",)

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

    class Meta:
        ordering = ("user", "dealer")
        constraints = [
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
    search = FoldedText("name")

    class Meta:
        ordering = ("name", "pk")
        constraints = [
            models.UniqueConstraint(
                "dealer",
                Upper("name"),
                name="customer_name_once_per_dealer",
                violation_error_code="unique",
                violation_error_message="This dealer already has a customer of that name.",
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.name
