"""Days on which somebody cannot be planned for: a technician off, a customer who is busy."""

from typing import ClassVar

from django.db import models
from django.db.models import F, Q

from fleet.models.people import Customer, Membership
from fleet.models.scoped import ScopedModel

IN_ORDER = "The last day is not before the first."


class DayOff(ScopedModel):
    """Days on which a technician does not work; both ends included."""

    dealer_path: ClassVar[str] = "membership__dealer"

    membership = models.ForeignKey(Membership, on_delete=models.CASCADE, related_name="days_off")
    first_day = models.DateField()
    last_day = models.DateField()
    reason = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ("first_day", "pk")
        verbose_name = "day off"
        verbose_name_plural = "days off"
        constraints = [
            models.CheckConstraint(
                name="day_off_in_order",
                condition=Q(last_day__gte=F("first_day")),
                violation_error_message=IN_ORDER,
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.membership_id}: {self.first_day} to {self.last_day}"


class Blackout(ScopedModel):
    """Days on which a customer cannot be visited; both ends included."""

    dealer_path: ClassVar[str] = "customer__dealer"

    customer = models.ForeignKey(Customer, on_delete=models.CASCADE, related_name="blackouts")
    first_day = models.DateField()
    last_day = models.DateField()
    reason = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ("first_day", "pk")
        constraints = [
            models.CheckConstraint(
                name="blackout_in_order",
                condition=Q(last_day__gte=F("first_day")),
                violation_error_message=IN_ORDER,
            )
        ]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.customer}: {self.first_day} to {self.last_day}"
