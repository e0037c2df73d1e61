"""Who did what: every change of the register, and what was erased from it."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.text import capfirst

from fleet.models.people import Customer, Dealer
from fleet.models.scoped import ScopedModel
from fleet.scope import Scope

USER = settings.AUTH_USER_MODEL


class Acting(models.Model):
    """Who acts in the transaction that writes; SQLite only, and empty between transactions."""

    actor_id = models.BigIntegerField(null=True)
    via = models.CharField(max_length=40, blank=True)

    class Meta:
        db_table = "fleet_acting"

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"{self.actor_id} {self.via}"


class Change(ScopedModel):
    """One change of one row: by whom, when, from what to what. Written by triggers only.

    A change belongs to the dealer whose row it was before: the sale of a machine to another
    dealer's customer is the seller's to read. The keys stand without constraints: what they name
    may be gone, this stays.
    """

    dealer_path: ClassVar[str] = "dealer"

    class What(models.TextChoices):
        """What was done to the row."""

        INSERT = "insert", "entered"
        UPDATE = "update", "changed"
        DELETE = "delete", "removed"

    thing = ""  # what was changed, as its reader may know it; looked up for many at once

    at = models.DateTimeField()
    actor = models.ForeignKey(
        USER, on_delete=models.DO_NOTHING, null=True, db_constraint=False, related_name="+",
        help_text="Empty: the system, or nobody signed in.",
    )  # fmt: skip
    via = models.CharField(max_length=40, blank=True, help_text="api, desk or a command's name.")
    table = models.CharField(max_length=40)
    row = models.CharField(max_length=40)
    what = models.CharField(max_length=6, choices=What.choices)
    before = models.JSONField(null=True)
    after = models.JSONField(null=True)
    dealer = models.ForeignKey(
        Dealer, on_delete=models.DO_NOTHING, null=True, db_constraint=False, db_index=False,
        related_name="+",
    )  # fmt: skip
    customer = models.ForeignKey(
        Customer, on_delete=models.DO_NOTHING, null=True, db_constraint=False, related_name="+"
    )
    machine = models.ForeignKey(
        "fleet.Machine", on_delete=models.DO_NOTHING, null=True, db_constraint=False,
        related_name="+",
    )  # fmt: skip
    sensor = models.ForeignKey(
        "fleet.Sensor", on_delete=models.DO_NOTHING, null=True, db_constraint=False,
        related_name="+",
    )  # fmt: skip

    class Meta:
        ordering = ("-pk",)
        verbose_name = "change"
        indexes = [
            models.Index(fields=["dealer", "-id"], name="change_of_dealer"),
            models.Index(fields=["table", "row"], name="change_of_row"),
        ]

    def __str__(self) -> str:
        """Return which thing it was, where that has been looked up, and what was done to it."""
        return capfirst(f"{self.thing or f'change {self.pk}:'} {self.get_what_display()}")

    @classmethod
    def visibility(cls, scope: Scope) -> Q:
        """Return the condition that a row meets: managers see their dealers', nobody else's."""
        return Q() if scope.administers else Q(dealer__in=scope.manages)


class Erasure(ScopedModel):
    """Personal data that was erased: whose, by whom, when, how much. Itself without any.

    While its transaction runs it is open, and opens what is otherwise sealed to this one purpose:
    see `calibration.sealing`. Nobody else sees it open.
    """

    dealer_path: ClassVar[str] = "dealer"

    dealer = models.ForeignKey(Dealer, on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="erasures")
    erased_by = models.ForeignKey(USER, on_delete=models.PROTECT, null=True, related_name="+")
    erased_at = models.DateTimeField()
    counts = models.JSONField(default=dict)
    open = models.BooleanField(default=True)

    class Meta:
        ordering = ("-pk",)

    def __str__(self) -> str:
        """Return what a person calls it."""
        return f"customer {self.customer_id}"

    @classmethod
    def visibility(cls, scope: Scope) -> Q:
        """Return the condition that a row meets: managers see their dealers', nobody else's."""
        return Q() if scope.administers else Q(dealer__in=scope.manages)
