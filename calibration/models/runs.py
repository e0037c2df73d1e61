"""The runs of the worker and of imports."""

import uuid
from typing import ClassVar

from django.conf import settings
from django.db import models

from fleet.models import Dealer, ScopedModel

USER = settings.AUTH_USER_MODEL


class ScanRun(ScopedModel):
    """One drift scan of the worker."""

    dealer_path: ClassVar[str] = "*"
    for_reviewers: ClassVar[bool] = True

    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    full = models.BooleanField(default=False)
    sensors = models.PositiveIntegerField(default=0, help_text="How many the fleet has.")
    judged = models.PositiveIntegerField(default=0)
    flags_opened = models.PositiveIntegerField(default=0)
    flags_closed = models.PositiveIntegerField(default=0)
    failed = models.JSONField(default=list, help_text="Sensors that could not be judged, and why.")

    class Meta:
        ordering = ("-started_at", "-pk")

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"scan of {self.started_at:%Y-%m-%d %H:%M}"


class ImportRun(ScopedModel):
    """An uploaded record file: tried first, then committed."""

    dealer_path: ClassVar[str] = "dealer"

    class Status(models.TextChoices):
        """How far it is."""

        TRIED = "tried", "tried, nothing stored yet"
        COMMITTED = "committed", "committed"
        REFUSED = "refused", "the file was refused"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    dealer = models.ForeignKey(Dealer, on_delete=models.CASCADE, related_name="imports")
    file_name = models.CharField(max_length=200)
    content = models.BinaryField()
    content_digest = models.CharField(max_length=64)
    status = models.CharField(max_length=10, choices=Status.choices)
    result = models.JSONField(default=dict)
    created_at = models.DateTimeField()
    created_by = models.ForeignKey(
        USER, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    committed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ("-created_at", "-pk")

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.file_name
