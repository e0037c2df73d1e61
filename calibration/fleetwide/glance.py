"""Seasons by sensors at a glance: the heaviest first, a page at a time, in a few queries.

A sensor weighs as many tolerances as its last calibration is away from what its whole history
leads one to expect; the greater of slope and offset.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Count, F, FloatField, Q, QuerySet, Value
from django.db.models.functions import Abs, Cast, Coalesce, Greatest, NullIf

from calibration.models import Judgement, Verdict, in_time
from fleet.models import Sensor
from fleet.scope import Scope

A_PAGE = 50
MOST_SEASONS = 10
_DECIDING = (
    "first", "slope_tolerance_pct", "offset_tolerance",
    "expected_slope_change_pct", "expected_u_slope_change_pct", "expected_p_out_slope",
    "expected_en_slope", "expected_offset_change", "expected_u_offset_change",
    "expected_p_out_offset", "expected_en_offset",
)  # fmt: skip
_LAST = "due__last_calibration__judgement__"
ORDERS: Mapping[str, tuple[Any, ...]] = {
    "weight": (F("weight").desc(), "serial", "pk"),
    "serial": ("serial", "pk"),
    "lot": ("model__name", "lot", F("weight").desc(), "pk"),
}


@dataclass(frozen=True)
class Season:
    """The calibrations of one season by verdict."""

    year: int
    within: int = 0
    watch: int = 0
    beyond: int = 0

    @property
    def total(self) -> int:
        """How many were judged."""
        return self.within + self.watch + self.beyond


@dataclass(frozen=True)
class Glance:
    """One page: its seasons (the newest first), its sensors, how many there are in all.

    `cells` holds, by sensor and season, the last judgement of that season.
    """

    seasons: Sequence[Season]
    sensors: Sequence[Sensor]
    cells: Mapping[tuple[int, int], Judgement]
    total: int
    number: int
    pages: int
    further: int = field(default=0)

    def row_of(self, sensor: Sensor) -> list[Judgement | None]:
        """Return a sensor's judgements, one a season."""
        return [self.cells.get((sensor.pk, season.year)) for season in self.seasons]


def weighed(rows: QuerySet[Sensor]) -> QuerySet[Any]:
    """Return sensors with their weight; 0 where nothing can be compared yet."""
    return rows.annotate(
        weight=Greatest(
            _tolerances("expected_slope_change_pct", "slope_tolerance_pct"),
            _tolerances("expected_offset_change", "offset_tolerance"),
        )
    )


def _tolerances(change: str, tolerance: str) -> Coalesce:
    none = Value(0.0, output_field=FloatField())
    share = Abs(f"{_LAST}{change}") / NullIf(Cast(f"{_LAST}{tolerance}", FloatField()), none)
    return Coalesce(share, none, output_field=FloatField())


def glance(
    *, scope: Scope, chosen: Q | None = None, order: str = "weight", number: int = 1
) -> Glance:
    """Return one page of the sensors that a caller sees and has chosen.

    Parameters
    ----------
    chosen
        A condition on sensors; none: all of them.
    order
        A key of `ORDERS`.
    number
        Of the page, from 1; one that there is not is the nearest that there is.
    """
    rows = Sensor.objects.visible_to(scope).filter(chosen or Q())
    total = rows.count()
    pages = max(1, -(-total // A_PAGE))
    number = min(max(number, 1), pages)
    start = (number - 1) * A_PAGE
    related = weighed(rows).select_related("model", "dealer")
    sensors = list(related.order_by(*ORDERS[order])[start : start + A_PAGE])
    seasons = _seasons(scope, chosen)
    kept = seasons[:MOST_SEASONS]
    return Glance(
        seasons=kept,
        sensors=sensors,
        cells=_cells([sensor.pk for sensor in sensors], scope, kept[-1].year if kept else 0),
        total=total,
        number=number,
        pages=pages,
        further=len(seasons) - len(kept),
    )


def _seasons(scope: Scope, chosen: Q | None) -> list[Season]:
    """The calibrations of all chosen sensors, counted by season and verdict; the newest first."""
    sensors = Sensor.objects.visible_to(scope).filter(chosen or Q())
    rows = (
        Judgement.objects.visible_to(scope)
        .filter(sensor__in=sensors.order_by().values("pk"))
        .order_by()
        .values_list("season", "verdict")
        .annotate(Count("pk"))
    )
    counts: dict[int, dict[str, int]] = defaultdict(dict)
    for year, verdict, total in rows:
        counts[year][str(Verdict(verdict))] = total
    return [Season(year, **counts[year]) for year in sorted(counts, reverse=True)]


def _cells(
    sensor_ids: Sequence[int], scope: Scope, first: int
) -> dict[tuple[int, int], Judgement]:
    rows = Judgement.objects.visible_to(scope).filter(
        calibration__sensor__in=sensor_ids, season__gte=first
    )
    shown = rows.order_by(*in_time("calibration__")).only(
        "sensor", "season", "verdict", *_DECIDING
    )
    return {(row.sensor_id, row.season): row for row in shown}
