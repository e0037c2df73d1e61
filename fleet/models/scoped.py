"""The one door to every table: `Model.objects.visible_to(scope)`.

Each model says once how its rows lead to a dealer (`dealer_path`). A model that says nothing has
no visible rows: the door fails closed.
"""

from typing import Any, ClassVar, Self, TypeVar

from django.db import models
from django.db.models import Q

from fleet.scope import Scope

Row = TypeVar("Row", bound=models.Model)

EVERYBODY = "*"  # catalogue rows: every signed-in person reads them


class ScopedQuerySet(models.QuerySet[Row]):
    """A query set that knows whose rows a caller may see."""

    def visible_to(self, scope: Scope) -> Self:
        """Return the rows that the caller may see."""
        rule = getattr(self.model, "visibility", None)
        if rule is None:
            return self.none()
        return self.filter(rule(scope))


class ScopedModel(models.Model):
    """A table whose rows belong to dealers."""

    dealer_path: ClassVar[str] = ""
    for_reviewers: ClassVar[bool] = False
    shared_without_dealer: ClassVar[bool] = False

    objects: ClassVar[Any] = ScopedQuerySet.as_manager()

    class Meta:
        abstract = True

    @classmethod
    def visibility(cls, scope: Scope) -> Q:
        """Return the condition that a row meets when the caller may see it."""
        nothing = Q(pk__in=[])
        if not cls.dealer_path:
            return nothing
        if scope.administers or (scope.reviews and cls.for_reviewers):
            return Q()
        if cls.dealer_path == EVERYBODY:
            return Q() if scope.dealers or scope.reviews else nothing
        if not scope.dealers:
            return nothing
        own = Q(**{f"{cls.dealer_path}__in": scope.dealers})
        if cls.shared_without_dealer:
            own |= Q(**{f"{cls.dealer_path}__isnull": True})
        return own
