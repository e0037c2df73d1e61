"""Filters by what a flag says, by whom it was given, and by its likeliest cause."""

from dataclasses import dataclass

from django.db.models import Exists, OuterRef, Q

from api.conditions import Filter, OneOf, Whole
from calibration.models import DriftFlag
from calibration.readout import CODES
from fleet.scope import Scope


def likeliest(path: str, kind: type[OneOf] = OneOf) -> OneOf:
    """Return the filter by the likeliest cause in a flag's causes."""
    return kind(f"{path}__0__code", CODES)


@dataclass(frozen=True)
class Flagged(OneOf):
    """Sensors with a flag that is not closed of which something is so."""

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        open_ones = DriftFlag.objects.visible_to(scope).exclude(status=DriftFlag.Status.CLOSED)
        return Q(Exists(open_ones.filter(super().condition(text, scope), sensor=OuterRef("pk"))))


@dataclass(frozen=True)
class PersonTold(Filter):
    """By whom a flag was given to, where the caller is told that person's name."""

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        return super().condition(text, scope) & _told("assigned_for__in", scope)


@dataclass(frozen=True)
class FamilyTold(Whole):
    """By the family, where the caller is told of it."""

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        return super().condition(text, scope) & _told("family__dealer__in", scope)


def _told(path: str, scope: Scope) -> Q:
    return Q() if scope.administers else Q(**{path: scope.dealers})
