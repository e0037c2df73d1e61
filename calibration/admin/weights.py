"""How much a flag weighs, in a list and in words, and which ones are one matter with it."""

from collections.abc import Sequence
from typing import Any

from django.db import models
from django.db.models.functions import Abs, NullIf

from calibration.models import DriftFlag
from calibration.readout.phrases import brief
from fleet.scope import Scope

MOST_LISTED = 12
WORST_FIRST = ("level", models.F("weight").desc(nulls_last=True), "-pk")


def by_weight(rows: models.QuerySet[Any]) -> models.QuerySet[Any]:
    """Return flags with their weight: how many tolerances the change is."""
    size = Abs("magnitude")
    none = models.Value(0.0)
    weighed: models.QuerySet[Any] = rows.annotate(weight=size / NullIf("tolerance", none))
    return weighed


def magnitude(row: DriftFlag) -> str:
    """Return how much it is, and how much would be tolerated."""
    unit = {"overdue": "days", "offset": "% of rated load"}.get(row.kind, "%")
    if row.kind == "overdue":
        return f"{row.magnitude:.0f} {unit}"
    if row.kind == "lot":
        return f"{row.magnitude:.3g} % of its lot found out (siblings {row.tolerance:.2g} %)"
    said = f"{brief(row.magnitude, 3)} {unit} (tolerance {row.tolerance:.3g})"
    # A test that failed by pressure, ripple or what was seen: the causes say by which.
    arrived = row.kind == "functional" and abs(row.magnitude) <= row.tolerance
    return f"not by the force, off by {said}" if arrived else said


def decided(rows: Sequence[DriftFlag], what: str) -> str:
    """Return what was decided about which flags: how many, and each by its name."""
    if not rows:
        return f"Nothing changed: no flag was left to be {what}."
    names = [f"{row.sensor.serial} {row.get_kind_display()}" for row in rows[:MOST_LISTED]]
    more = f" and {len(rows) - MOST_LISTED} more" if len(rows) > MOST_LISTED else ""
    count = "1 flag is" if len(rows) == 1 else f"{len(rows)} flags are"
    return f"{count} {what}: {', '.join(names)}{more}."


def kin_of(row: DriftFlag, scope: Scope, most: int = 50) -> list[DriftFlag]:
    """Return the others of a flag's family, the open ones first."""
    rows = DriftFlag.objects.visible_to(scope).filter(family=row.family_id).exclude(pk=row.pk)
    return list(rows.select_related("sensor").order_by("-status", "level", "pk")[:most])


def told_to(scope: Scope, rows: models.QuerySet[Any]) -> models.QuerySet[Any]:
    """Return flags with who sees to them and their family's cause, for a list.

    Only to the dealers whose people said so, as `readout.whose` has it for one flag.
    """
    person, cause = models.F("assigned_to__username"), models.F("family__cause")
    told: models.QuerySet[Any]
    if scope.administers:
        told = rows.annotate(told_person=person, told_cause=cause)
        return told
    told = rows.annotate(
        told_person=models.Case(models.When(assigned_for__in=scope.dealers, then=person)),
        told_cause=models.Case(models.When(family__dealer__in=scope.dealers, then=cause)),
    )
    return told
