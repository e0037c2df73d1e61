"""How much a flag weighs, in a list and in words, and which ones are one matter with it."""

from collections.abc import Sequence
from math import isclose
from typing import Any

from django.db import models
from django.db.models.functions import Abs, NullIf

from calibration.admin.wording import local_day
from calibration.models import DriftFlag
from calibration.readout.phrases import brief, sized
from fleet import units
from fleet.scope import Scope

Kind = DriftFlag.Kind
EXPECTED = "against what was expected"
MOST_LISTED = 12
WORST_FIRST = ("level", models.F("weight").desc(nulls_last=True), "-pk")


def by_weight(rows: models.QuerySet[Any]) -> models.QuerySet[Any]:
    """Return flags with their weight: how many tolerances the change is."""
    size = Abs("magnitude")
    none = models.Value(0.0)
    weighed: models.QuerySet[Any] = rows.annotate(weight=size / NullIf("tolerance", none))
    return weighed


def magnitude(row: DriftFlag) -> str:
    """Return how much it is, and how much would be tolerated, each with its unit."""
    if row.kind == Kind.OVERDUE:
        return f"{row.magnitude:.0f} days"
    if row.kind == Kind.LOT:
        return f"{row.magnitude:.1f} % of its lot found out (siblings {row.tolerance:.1f} %)"
    tested = row.kind == Kind.FUNCTIONAL  # its uncertainty is not known
    size = brief(row.magnitude, 3) if tested else sized(row.magnitude)
    said, limit = f"{size} %", f"{row.tolerance:.3g} %"
    if row.kind in (Kind.OFFSET, Kind.FIT):
        unit, percent = _one_percent(row)
        said = f"{said} of rated load, {sized(row.magnitude * percent)} {unit}"
        limit += f", {row.tolerance * percent:.3g} {unit}"
    said = f"{said} (tolerance {limit})"
    # A test that failed by pressure, ripple or what was seen: the causes say by which.
    arrived = tested and abs(row.magnitude) <= row.tolerance
    return f"not by the force, off by {said}" if arrived else said


def size_of(row: DriftFlag) -> str:
    """Return how much it is, and what it is counted from; reads the calibration's judgement."""
    return ", ".join(part for part in (magnitude(row), compared(row)) if part)


def size_in_list(row: DriftFlag) -> str:
    """Return the same for a narrow column, where what is usual is not said in every row."""
    return magnitude(row) if compared(row) == EXPECTED else size_of(row)


def _one_percent(row: DriftFlag) -> tuple[str, float]:
    """The dealer's load unit, and one percent of the sensor's rated load in it."""
    unit = row.sensor.dealer.load_unit
    return unit, _newtons(row) / units.LOAD[unit]


def compared(row: DriftFlag) -> str:
    """Return what the change of a flag was counted from; empty where that no longer shows."""
    judged = getattr(row.calibration, "judgement", None)
    if judged is None or row.kind not in (Kind.SLOPE, Kind.OFFSET):
        return ""
    name = "slope_change_pct" if row.kind == Kind.SLOPE else "offset_change"
    share = 1.0 if row.kind == Kind.SLOPE else _newtons(row)
    expected, first = getattr(judged, f"expected_{name}"), getattr(judged, f"first_{name}")
    if expected is not None and isclose(expected, row.magnitude * share, rel_tol=1e-6):
        return EXPECTED if judged.first_id else "against what its tag or lot says"
    if first is not None and isclose(first, row.magnitude * share, rel_tol=1e-6):
        return f"since the first, {local_day(judged.first.performed_at, row.sensor.dealer.zone)}"
    return ""


def _newtons(row: DriftFlag) -> float:
    """One percent of the sensor's rated load, in newtons."""
    return float(row.sensor.model.rated_load) / 100.0 * units.LOAD[row.sensor.model.load_unit]


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
