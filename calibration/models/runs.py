"""The runs of the worker."""

from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.formats import localize

from fleet.models import ScopedModel


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
        constraints = [
            models.UniqueConstraint(
                "full", name="scan_one_under_way", condition=Q(finished_at__isnull=True)
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"scan of {localize(timezone.localtime(self.started_at))}"


class ScanChunk(models.Model):
    """A piece of a scan, claimed by one worker at a time; done again, it changes nothing."""

    class Work(models.TextChoices):
        """What there is to do."""

        LEARN = "learn", "learn from the fleet"
        PACK = "pack", "pack histories that are not packed"
        COMPARE = "compare", "compare what is stored with what should be"
        MARKED = "marked", "judge the marked sensors of dealers"
        JUDGE = "judge", "judge sensors"
        CLOSE = "close", "settle due days, overdue flags and lots"

    class Status(models.TextChoices):
        """How far it is."""

        WAITING = "waiting", "waiting"
        CLAIMED = "claimed", "claimed"
        DONE = "done", "done"

    run = models.ForeignKey(ScanRun, on_delete=models.CASCADE, related_name="chunks")
    stage = models.PositiveSmallIntegerField(help_text="One stage begins when the last has ended.")
    number = models.PositiveIntegerField()
    work = models.CharField(max_length=8, choices=Work.choices)
    first = models.BigIntegerField(default=0, help_text="Least key of sensor, company or dealer.")
    last = models.BigIntegerField(default=0, help_text="Greatest key, itself included.")
    sensors = models.PositiveIntegerField(default=0)
    status = models.CharField(max_length=8, choices=Status.choices, default=Status.WAITING)
    attempt = models.PositiveSmallIntegerField(default=0)
    claimed_by = models.CharField(max_length=80, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    judged = models.PositiveIntegerField(default=0)
    flags_opened = models.PositiveIntegerField(default=0)
    flags_closed = models.PositiveIntegerField(default=0)
    rows_written = models.PositiveIntegerField(default=0)
    failed = models.JSONField(default=list)

    class Meta:
        ordering = ("run", "stage", "number")
        constraints = [models.UniqueConstraint("run", "stage", "number", name="scan_chunk_once")]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.work} {self.number} of run {self.run_id}"
