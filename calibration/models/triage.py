"""What people make of flags: families with one shared cause, and links they keep to a list."""

from typing import ClassVar

from django.conf import settings
from django.db import models

from fleet.models import Dealer, ScopedModel

USER = settings.AUTH_USER_MODEL


class FlagFamily(ScopedModel):
    """Flags of one dealer that have one cause between them: one decision is for all of them."""

    dealer_path: ClassVar[str] = "dealer"

    dealer = models.ForeignKey(Dealer, on_delete=models.PROTECT, related_name="+")
    cause = models.CharField(max_length=200, help_text="What they share, in a person's words.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        USER, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ("-made_at", "-pk")

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.cause


class KeptLook(models.Model):
    """A person's own link to a list: its filters under a name."""

    person = models.ForeignKey(USER, on_delete=models.CASCADE, related_name="+")
    name = models.CharField(max_length=40)
    query = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ("name", "pk")
        constraints = [models.UniqueConstraint("person", "name", name="kept_look_once")]

    def __str__(self) -> str:
        """Return what a person calls it."""
        return self.name
