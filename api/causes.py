"""Filters by what a flag says, and by its likeliest cause, which stands first."""

from dataclasses import dataclass

from django.db.models import Exists, OuterRef, Q

from api.conditions import OneOf
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
