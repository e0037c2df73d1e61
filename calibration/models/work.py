"""What people have to do: flags, reminders, visits."""

import uuid
from typing import ClassVar

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q

from fleet.models import Customer, Dealer, Machine, ScopedModel, Sensor

USER = settings.AUTH_USER_MODEL


class Visit(ScopedModel):
    """A planned drive to one customer for everything that is due there."""

    dealer_path: ClassVar[str] = "customer__dealer"

    class Status(models.TextChoices):
        """How far it is."""

        PLANNED = "planned", "planned"
        CONFIRMED = "confirmed", "confirmed"
        DONE = "done", "done"
        CANCELLED = "cancelled", "cancelled"

    TO_BE_MADE: ClassVar[tuple[str, ...]] = (Status.PLANNED, Status.CONFIRMED)

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="visits")
    season = models.SmallIntegerField()
    planned_on = models.DateField(db_index=True)
    due_on = models.DateField(help_text="The earliest due day of its sensors.")
    technician = models.ForeignKey(
        USER, on_delete=models.PROTECT, null=True, blank=True, related_name="visits"
    )
    status = models.CharField(max_length=10, choices=Status.choices, default=Status.PLANNED)
    note = models.CharField(max_length=200, blank=True)
    cancel_reason = models.CharField(
        max_length=200,
        blank=True,
        help_text="Why it is off, 3 to 200 characters. It stands in the dealer's calendars; the "
        "customer is only told that the visit is off.",
    )
    part = models.PositiveSmallIntegerField(
        default=1,
        validators=[MinValueValidator(1)],
        help_text="Where one day is not enough for all of a customer's machines: which of them.",
    )
    minutes = models.PositiveIntegerField(default=0, help_text="Planned work, without the drive.")
    sequence = models.PositiveIntegerField(
        default=0, help_text="How often day, technician or status changed (RFC 5545 SEQUENCE)."
    )
    former_technician = models.ForeignKey(
        USER,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="Who was to make it before; their calendar shows it as cancelled.",
    )
    done_at = models.DateTimeField(null=True, blank=True)
    updated_at = models.DateTimeField()

    class Meta:
        ordering = ("planned_on", "pk")
        constraints = [
            models.UniqueConstraint(
                "customer",
                "season",
                "part",
                name="visit_open_once",
                condition=Q(status__in=["planned", "confirmed"]),
                violation_error_code="unique",
                violation_error_message="This customer already has an open visit this season.",
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.customer} on {self.planned_on}"


class VisitLine(models.Model):
    """One machine of a visit."""

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="lines")
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="visit_lines")
    due_on = models.DateField()
    sensors = models.PositiveSmallIntegerField(help_text="How many of its sensors are due.")
    done = models.BooleanField(default=False)
    done_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ("visit", "due_on", "machine")
        constraints = [
            models.UniqueConstraint("visit", "machine", name="visit_line_once_per_machine")
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.machine}, due on {self.due_on}"


class Reminder(ScopedModel):
    """A sensor that has to be calibrated again, until it is."""

    dealer_path: ClassVar[str] = "sensor__dealer"

    class Status(models.TextChoices):
        """How far it is."""

        OPEN = "open", "open"
        DONE = "done", "done"
        CANCELLED = "cancelled", "cancelled"

    sensor = models.ForeignKey(Sensor, on_delete=models.CASCADE, related_name="reminders")
    due_on = models.DateField()
    why = models.CharField(max_length=16)
    status = models.CharField(max_length=10, choices=Status.choices, default=Status.OPEN)
    created_at = models.DateTimeField()
    last_told_on = models.DateField(null=True, blank=True)
    done_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ("due_on", "pk")
        constraints = [
            models.UniqueConstraint(
                "sensor", name="reminder_open_once", condition=Q(status="open")
            )
        ]
        indexes = [
            models.Index(
                fields=["due_on", "id"], name="reminder_open_due", condition=Q(status="open")
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.sensor}, due on {self.due_on}"


class Mailing(ScopedModel):
    """One e-mail that is made once: claimed with a lease, sent, marked."""

    recipients = models.JSONField(default=list)
    subject = models.CharField(max_length=200)
    body = models.TextField()
    attempts = models.PositiveSmallIntegerField(default=0)
    claimed_until = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    last_error = models.CharField(max_length=300, blank=True)

    class Meta:
        abstract = True

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.subject


class Digest(Mailing):
    """What a dealer is told on one day."""

    dealer_path: ClassVar[str] = "dealer"

    dealer = models.ForeignKey(Dealer, on_delete=models.CASCADE, related_name="digests")
    day = models.DateField()

    class Meta:
        ordering = ("-day", "dealer")
        constraints = [
            models.UniqueConstraint("dealer", "day", name="digest_once_per_dealer_and_day")
        ]


class CustomerNote(Mailing):
    """What a customer is told about a visit: its day, or that it will not take place."""

    dealer_path: ClassVar[str] = "visit__customer__dealer"

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="notes")
    planned_on = models.DateField(help_text="The day that the note names.")
    cancels = models.BooleanField(
        default=False, help_text="The visit that the customer was told of will not take place."
    )
    sequence = models.PositiveIntegerField(
        default=0, help_text="How often the visit had changed when the note was made."
    )

    class Meta:
        ordering = ("-planned_on", "-pk")
        constraints = [
            models.UniqueConstraint(
                "visit", "planned_on", "cancels", "sequence", name="note_once_per_change_of_visit"
            )
        ]


class SeasonPlan(ScopedModel):
    """How a dealer's last plan was made, and what it could not place."""

    dealer_path: ClassVar[str] = "dealer"

    dealer = models.OneToOneField(
        Dealer, on_delete=models.CASCADE, primary_key=True, related_name="season_plan"
    )
    planned_at = models.DateTimeField()
    made_by = models.CharField(max_length=12, help_text="Which search gave the plan.")
    says = models.CharField(max_length=300)
    cost = models.FloatField(help_text="Weighed minutes; lower is better.")
    greedy_cost = models.FloatField()
    unplanned = models.JSONField(default=list)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"plan of {self.dealer}"


class CalendarFeed(ScopedModel):
    """A secret address under which a calendar program reads visits; only its hash is kept."""

    dealer_path: ClassVar[str] = "dealer"

    dealer = models.ForeignKey(Dealer, on_delete=models.CASCADE, related_name="calendar_feeds")
    technician = models.ForeignKey(
        USER,
        on_delete=models.CASCADE,
        null=True,
        blank=True,
        related_name="calendar_feeds",
        help_text="Whose visits; empty: all of the dealer's.",
    )
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    created_at = models.DateTimeField()

    class Meta:
        ordering = ("dealer", "pk")

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"calendar {self.pk}"
