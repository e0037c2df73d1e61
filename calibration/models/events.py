"""What happened, for programs that follow it, and where they want to be told."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q

from fleet.models import Dealer, ScopedModel


class Event(ScopedModel):
    """Something that happened, told in the transaction in which it did.

    Events get their numbers when they are committed, one after the other: whoever has read up to
    a number has missed nothing below it.
    """

    dealer_path: ClassVar[str] = "dealer"
    for_reviewers: ClassVar[bool] = True

    class Kind(models.TextChoices):
        """What happened."""

        FLAG_OPENED = "flag.opened", "a flag was opened"
        FLAG_CLOSED = "flag.closed", "a flag was closed"
        VERDICT = "calibration.judged", "a calibration was judged, or judged otherwise"
        SUPERSEDED = "calibration.superseded", "a calibration was superseded"
        VISIT_PLANNED = "visit.planned", "a visit was planned, moved or cancelled"
        TEST = "webhook.test", "somebody asked whether the address works"

    number = models.BigIntegerField(
        unique=True, null=True, editable=False, help_text="Empty until it is committed."
    )
    dealer = models.ForeignKey(Dealer, on_delete=models.CASCADE, related_name="events")
    kind = models.CharField(max_length=24, choices=Kind.choices)
    at = models.DateTimeField(db_index=True)
    subject = models.CharField(max_length=36, help_text="The id of the flag, calibration, visit.")
    sensor = models.CharField(max_length=40, blank=True, help_text="The sensor's serial.")
    data = models.JSONField(default=dict)

    class Meta:
        ordering = ("number", "pk")
        indexes = [
            models.Index(fields=["id"], name="event_without_number", condition=Q(number=None)),
            models.Index(fields=["dealer", "number"], name="event_of_dealer"),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.kind} {self.subject}"


class Webhook(ScopedModel):
    """An address that is told of a dealer's events, in their order."""

    dealer_path: ClassVar[str] = "dealer"

    dealer = models.ForeignKey(Dealer, on_delete=models.CASCADE, related_name="webhooks")
    url = models.URLField(max_length=300)
    kinds = models.JSONField(default=list, blank=True, help_text="Kinds of events; empty for all.")
    active = models.BooleanField(default=True)
    secret = models.BinaryField(editable=False, help_text="Sealed with the site's key.")
    secret_before = models.BinaryField(editable=False, default=b"")
    secret_before_until = models.DateTimeField(null=True, blank=True, editable=False)
    told = models.BigIntegerField(default=0, help_text="The number of the last event it took.")
    attempts = models.PositiveIntegerField(default=0, help_text="Failed in a row.")
    next_attempt_at = models.DateTimeField(null=True, blank=True)
    claimed_until = models.DateTimeField(null=True, blank=True)
    failing_since = models.DateTimeField(null=True, blank=True)
    last_told_at = models.DateTimeField(null=True, blank=True)
    last_error = models.CharField(max_length=300, blank=True)
    created_at = models.DateTimeField()
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ("pk",)
        constraints = [
            models.UniqueConstraint(
                "dealer",
                "url",
                name="webhook_once_per_address",
                violation_error_code="unique",
                violation_error_message="This address is told already.",
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.url
