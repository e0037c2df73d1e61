"""Uploaded record files, how far they are, and what became of each of their rows."""

import uuid
from typing import ClassVar

from django.conf import settings
from django.db import models

from fleet.models import Dealer, ScopedModel

USER = settings.AUTH_USER_MODEL


class ImportRun(ScopedModel):
    """An uploaded record file: checked by the worker, looked at by a person, then committed.

    It is a piece of work as `ScanChunk` is one: claimed under a lease and an attempt number.
    """

    dealer_path: ClassVar[str] = "dealer"

    class Status(models.TextChoices):
        """How far it is."""

        RECEIVED = "received", "received, waiting for the worker"
        CHECKING = "checking", "being checked"
        CHECKED = "checked", "checked, nothing stored yet"
        COMMITTING = "committing", "being stored"
        DONE = "done", "stored"
        FAILED = "failed", "failed"
        CANCELLED = "cancelled", "cancelled"

    class Step(models.TextChoices):
        """What the worker is at."""

        READING = "reading", "reading rows"
        CHECKING = "checking", "checking records"
        STORING = "storing", "storing records"
        JUDGING = "judging", "judging sensors"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    dealer = models.ForeignKey(Dealer, on_delete=models.CASCADE, related_name="imports")
    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64, db_index=True)
    size = models.PositiveBigIntegerField(default=0, help_text="Bytes.")
    status = models.CharField(max_length=10, choices=Status.choices, default=Status.RECEIVED)
    step = models.CharField(max_length=8, choices=Step.choices, blank=True)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0, help_text="0 while nobody knows.")
    attempt = models.PositiveSmallIntegerField(default=0)
    claimed_by = models.CharField(max_length=80, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    check_result = models.JSONField(null=True, blank=True)
    commit_result = models.JSONField(null=True, blank=True)
    reason = models.TextField(blank=True, help_text="Why it failed.")
    created_at = models.DateTimeField()
    created_by = models.ForeignKey(
        USER, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    checked_at = models.DateTimeField(null=True, blank=True)
    committed_at = models.DateTimeField(null=True, blank=True)
    committed_by = models.ForeignKey(
        USER, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ("-created_at", "-pk")

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.file_name

    @property
    def under_way(self) -> bool:
        """Whether it waits for the worker, or the worker is at it."""
        status = ImportRun.Status
        return self.status in {status.RECEIVED, status.CHECKING, status.COMMITTING}

    @property
    def percent(self) -> int | None:
        """How far the worker is with its step; None while nobody knows."""
        return min(100, 100 * self.done // self.total) if self.total else None


class ImportRowOutcome(ScopedModel):
    """What became of one row of a file: when it was checked, and when it was committed."""

    dealer_path: ClassVar[str] = "run__dealer"

    class Stage(models.TextChoices):
        """When."""

        CHECK = "check", "checked"
        COMMIT = "commit", "committed"

    class Outcome(models.TextChoices):
        """What."""

        ACCEPTED = "accepted", "accepted"
        REFUSED = "refused", "refused"

    run = models.ForeignKey(ImportRun, on_delete=models.CASCADE, related_name="rows")
    stage = models.CharField(max_length=6, choices=Stage.choices)
    row = models.PositiveIntegerField(help_text="Row of the file, the header counted.")
    number = models.PositiveSmallIntegerField(default=0, help_text="Of several reasons.")
    outcome = models.CharField(max_length=8, choices=Outcome.choices)
    already_there = models.BooleanField(default=False)
    record = models.UUIDField(help_text="The record that the row is part of.")
    record_id = models.CharField(max_length=200, blank=True)
    column = models.CharField(max_length=40, blank=True)
    value = models.CharField(max_length=80, blank=True)
    reason = models.TextField(blank=True)
    accepted = models.TextField(blank=True, help_text="What would be accepted.")

    class Meta:
        ordering = ("row", "number", "pk")
        constraints = [
            models.UniqueConstraint(
                fields=("run", "stage", "row", "number"), name="import_row_once"
            )
        ]
        indexes = [
            models.Index(
                fields=("run", "stage", "outcome", "row", "number", "id"),
                name="import_rows_in_order",
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"row {self.row}: {self.outcome}"
