"""Flags: what somebody has to look at, and what became of it."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q

from calibration.models.functional import FunctionalTest
from calibration.models.record import Calibration
from fleet.models import Dealer, ScopedModel, Sensor

USER = settings.AUTH_USER_MODEL


class DriftFlag(ScopedModel):
    """Something that somebody has to look at; one per record and kind."""

    dealer_path: ClassVar[str] = "sensor__dealer"
    for_reviewers: ClassVar[bool] = True

    class Kind(models.TextChoices):
        """What is wrong."""

        SLOPE = "slope", "slope"
        OFFSET = "offset", "offset"
        FIT = "fit", "points off the line"
        FUNCTIONAL = "functional", "functional test"
        REFERENCE = "reference", "reference"
        LOT = "lot", "lot"
        OVERDUE = "overdue", "overdue"

    # A sensor with one of these reads wrongly; the other kinds go by their own names.
    MEASURED: ClassVar[tuple[str, ...]] = (Kind.SLOPE, Kind.OFFSET, Kind.FIT, Kind.FUNCTIONAL)

    class Level(models.TextChoices):
        """How bad it is."""

        WATCH = "watch", "watch"
        BEYOND = "beyond", "beyond"

    class Status(models.TextChoices):
        """What has been done about it."""

        OPEN = "open", "open"
        ACKNOWLEDGED = "acknowledged", "acknowledged"
        CLOSED = "closed", "closed"

    sensor = models.ForeignKey(Sensor, on_delete=models.PROTECT, related_name="flags")
    calibration = models.ForeignKey(
        Calibration, on_delete=models.CASCADE, null=True, blank=True, related_name="flags"
    )
    functional_test = models.ForeignKey(
        FunctionalTest, on_delete=models.CASCADE, null=True, blank=True, related_name="flags"
    )
    kind = models.CharField(max_length=12, choices=Kind.choices)
    level = models.CharField(max_length=8, choices=Level.choices)
    magnitude = models.FloatField(
        help_text="Slope: %; offset: % of rated load; functional: %; overdue: days."
    )
    tolerance = models.FloatField()
    p_out = models.FloatField(null=True, blank=True)
    causes = models.JSONField(default=list)
    status = models.CharField(max_length=12, choices=Status.choices, default=Status.OPEN)
    opened_at = models.DateTimeField()
    acknowledged_at = models.DateTimeField(null=True, blank=True)
    acknowledged_by = models.ForeignKey(
        USER, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        USER,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="Empty on a closed flag: a later scan found it gone.",
    )
    close_reason = models.CharField(max_length=200, blank=True)
    closed_for = models.ForeignKey(
        Dealer,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="The dealer whose person closed it, and who alone reads the reason.",
    )
    family = models.ForeignKey(
        "calibration.FlagFamily",
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        related_name="flags",
    )
    assigned_to = models.ForeignKey(
        USER, on_delete=models.SET_NULL, null=True, blank=True, related_name="+"
    )
    assigned_at = models.DateTimeField(null=True, blank=True)
    assigned_for = models.ForeignKey(
        Dealer,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="The dealer whose person it is, and who alone reads the name.",
    )

    class Meta:
        ordering = ("-opened_at", "-pk")
        indexes = [
            # The open list, worst first, however many flags were ever closed.
            models.Index(
                fields=["level", "-p_out", "-id"],
                name="flag_open_worst_first",
                condition=~Q(status="closed"),
            ),
            # Of lots there are few flags among very many; a scan looks at all of them.
            models.Index(fields=["sensor"], name="flag_of_lot", condition=Q(kind="lot")),
        ]
        constraints = [
            models.UniqueConstraint(
                "calibration",
                "kind",
                name="flag_once_per_calibration",
                condition=Q(calibration__isnull=False),
            ),
            models.UniqueConstraint(
                "functional_test",
                "kind",
                name="flag_once_per_functional_test",
                condition=Q(functional_test__isnull=False),
            ),
            models.UniqueConstraint(
                "sensor",
                "kind",
                name="flag_once_without_record",
                condition=Q(calibration__isnull=True, functional_test__isnull=True),
            ),
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.kind} {self.level}"

    @classmethod
    def state_of(cls, kind: str, level: str) -> str:
        """Return how bad it is in a word: beyond a tolerance is only what was measured to be."""
        return level if kind in cls.MEASURED else str(cls.Kind(kind).label)

    @property
    def state(self) -> str:
        """How bad it is, in a word."""
        return self.state_of(self.kind, self.level)
