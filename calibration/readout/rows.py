"""What the answers about calibrations are made from, read as plain rows: no model, no join twice.

A list of answers takes three queries, however many there are: the calibrations with all that was
concluded from them, their points, their flags.
"""

from collections import defaultdict, namedtuple
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery

from calibration.columns import among
from calibration.models import IN_TIME, Calibration, CalibrationPoint, DriftFlag, in_time
from calibration.moving import MOVED
from fleet.models import Sensor
from fleet.scope import Scope
from fleet.statements import Statement

AGAINST = (
    "slope_change_pct",
    "u_slope_change_pct",
    "offset_change",
    "u_offset_change",
    "en_slope",
    "en_offset",
    "p_out_slope",
    "p_out_offset",
)
LINE = ("slope", "offset", "u_slope_random", "u_offset", "covariance", "reference_pct")
_OWN = (
    "id", "sensor_id", "sensor_serial", "installation_id", "machine_serial", "position",
    "performed_at", "reason", "stage", "dealer_id", "reference_id", "reference_name",
    "technician", "load_unit", "reading_unit", "note", "supersedes_id", "supersede_reason",
    "recorded_at", "temperature_c", "hydraulic_pressure", "pressure_unit", "content_digest",
    "digest",
)  # fmt: skip
FIT = (*LINE, "u_slope", "residual_sd", "birge_ratio", "degrees_of_freedom", "method")
_JUDGED = (
    "season", "segment", "verdict", "causes", "method", "previous_id", "first_id", "trusted",
    "expected_slope", "u_expected_slope", "expected_offset", "u_expected_offset",
    "common_change_pct", "u_common_change_pct", "common_members", "reference_moved",
    "reference_returned_pct", "jump_probability", "slope_pct_per_year", "expected_crossing",
    "earliest_crossing", "slope_tolerance_pct", "offset_tolerance",
    *AGAINST, *(f"first_{name}" for name in AGAINST), *(f"expected_{name}" for name in AGAINST),
)  # fmt: skip
# Where each comes from, and its name in a row.
_PATHS: Mapping[str, str] = {
    **{name: name for name in _OWN},
    "superseded_by": "superseded_by__id",
    "reference_dealer_id": "reference__dealer_id",
    "sensor_model_id": "sensor__model_id",
    "sensor_dealer_id": "sensor__dealer_id",
    "sensor_zone": "sensor__dealer__timezone",
    "sensor_model_name": "sensor__model__name",
    "sensor_reading_unit": "sensor__model__reading_unit",
    "tag_span_load": "sensor__tag_span_load",
    "rated_load": "sensor__model__rated_load",
    "rated_unit": "sensor__model__load_unit",
    "due_on": "sensor__due__due_on",
    **{f"fit_{name}": f"fit__{name}" for name in FIT},
    **{f"judged_{name}": f"judgement__{name}" for name in _JUDGED},
    **{f"previous_{name}": f"judgement__previous__fit__{name}" for name in LINE},
    "previous_at": "judgement__previous__performed_at",
    "first_at": "judgement__first__performed_at",
}
_POINT = ("calibration_id", "load", "reading", "direction")
FLAG = (
    "id", "sensor_id", "calibration_id", "functional_test_id", "kind", "level", "magnitude",
    "tolerance", "p_out", "causes", "status", "opened_at", "acknowledged_at", "closed_at",
    "close_reason", "closed_for_id", "family_id", "family__dealer_id", "family__cause",
    "assigned_for_id", "assigned_to__username", "assigned_at",
)  # fmt: skip
Points = Sequence[tuple[float, float, str]]  # load, reading, direction
Row = namedtuple("Row", tuple(_PATHS))  # type: ignore[misc] # eighty columns, named above
Flag = namedtuple("Flag", FLAG)  # type: ignore[misc] # as above


@dataclass(frozen=True)
class Rows:
    """Some calibrations, in order, with the points and the flags of each."""

    rows: Sequence[Any]
    points: Mapping[UUID, Sequence[dict[str, Any]]]
    flags: Mapping[UUID, Sequence[Any]]


def by_query(calibrations: "QuerySet[Calibration]") -> Rows:
    """Read the calibrations of a query, in its order."""
    return _with_parts([Row._make(row) for row in calibrations.values_list(*_PATHS.values())])


def by_key(keys: Sequence[UUID]) -> Rows:
    """Read calibrations by their keys, in the order given."""
    return _with_parts(_by_key(keys))


def just_stored(key: UUID, points: Points, *, is_flagged: bool) -> Rows:
    """Read a calibration whose points are known, and which has flags only where it is said so."""
    rows = _by_key([key])
    flags = _flags([key]) if is_flagged else {}
    return Rows(rows, {key: _said(points)}, flags)


def _said(points: Points) -> list[dict[str, Any]]:
    return [{"load": load, "reading": reading, "direction": way} for load, reading, way in points]


def _by_key(keys: Sequence[UUID]) -> list[Any]:
    found = {row[0]: Row._make(row) for row in _BY_KEY.many(keys)}
    return [found[key] for key in keys if key in found]


def of_sensor(sensor_id: int) -> tuple[Rows, list[Any]]:
    """Read all calibrations of a sensor, the oldest first, and all its flags, as they opened."""
    rows = [Row._make(row) for row in _OF_SENSOR.one(sensor_id)]
    points: dict[UUID, list[dict[str, Any]]] = defaultdict(list)
    _sort(points, _POINTS_OF_SENSOR.one(sensor_id))
    opened: list[Any] = [Flag._make(row) for row in _FLAGS_OF_SENSOR.one(sensor_id)]
    flags: dict[UUID, list[Any]] = defaultdict(list)
    for flag in sorted(opened, key=lambda flag: flag.kind):
        if flag.calibration_id:
            flags[flag.calibration_id].append(flag)
    return Rows(rows, points, flags), opened


def newest_of(sensor_ids: Sequence[int], scope: Scope) -> Rows:
    """Read each visible sensor's newest calibration that nothing supersedes."""
    if scope.everywhere:
        return by_key(newest_keys(sensor_ids))
    seen = Sensor.objects.visible_to(scope).filter(among("pk", sensor_ids)).order_by()
    return by_key([key for (key,) in seen.values_list(_newest_key()) if key])


def newest_keys(sensor_ids: Sequence[int]) -> list[UUID]:
    """Read the key of each sensor's newest calibration that nothing supersedes.

    The keys first: asked for keys and rows at once, PostgreSQL reads the whole table of records.
    """
    return [key for (key,) in _NEWEST.many(sensor_ids) if key]


def believed_keys(sensor_ids: Sequence[int]) -> list[tuple[UUID, UUID | None]]:
    """Read the same, each with the key of the newest whose numbers the judgement believes."""
    return [(key, believed) for key, believed in _BELIEVED.many(sensor_ids) if key]


def points_of(keys: Sequence[UUID]) -> dict[UUID, list[dict[str, Any]]]:
    """Read the points of calibrations, in the order in which they were typed."""
    points: dict[UUID, list[dict[str, Any]]] = defaultdict(list)
    _sort(points, _POINTS.many(keys))
    return points


def _newest_key(*conditions: Q) -> Any:
    # Not by a join with the later records: PostgreSQL would then read and sort them all.
    later = Calibration.objects.filter(supersedes=OuterRef("pk"))
    rows = Calibration.objects.filter(~Exists(later), sensor=OuterRef("pk")).filter(*conditions)
    return Subquery(rows.order_by(*in_time(newest_first=True)).values("pk")[:1])


def _with_parts(rows: Sequence[Any]) -> Rows:
    keys = [row.id for row in rows]
    flags = _flags(keys)
    return Rows(rows, points_of(keys), flags)


def _flags(keys: Sequence[UUID]) -> dict[UUID, list[Any]]:
    flags: dict[UUID, list[Any]] = defaultdict(list)
    read: Iterable[Any] = map(Flag._make, _FLAGS.many(keys))
    for flag in read:
        flags[flag.calibration_id].append(flag)
    return flags


def _sort(points: dict[UUID, list[dict[str, Any]]], rows: Iterable[Sequence[Any]]) -> None:
    for key, load, reading, direction in rows:
        points[key].append({"load": load, "reading": reading, "direction": direction})


def _calibrations(**conditions: Any) -> "QuerySet[Calibration, Any]":
    rows = Calibration.objects.filter(**conditions)
    return rows.order_by(*IN_TIME).values_list(*_PATHS.values())


# As `deciding.moved` says it.
_REFERENCE_MOVED = Q(
    judgement__reference_moved__gte=MOVED,
    judgement__reference_returned_pct__isnull=True,
) & (
    Q(judgement__common_change_pct__gt=F("judgement__slope_tolerance_pct") / 2.0)
    | Q(judgement__common_change_pct__lt=F("judgement__slope_tolerance_pct") / -2.0)
)
_BELIEVED_OF = Q(judgement__trusted=True) & ~_REFERENCE_MOVED

_BY_KEY = Statement(lambda mark: _calibrations(pk__among=[mark]).order_by(), uuids=True)
_OF_SENSOR = Statement(lambda mark: _calibrations(sensor=mark))
_NEWEST = Statement(
    lambda mark: Sensor.objects.filter(among("pk", [mark])).order_by().values_list(_newest_key())
)
_BELIEVED = Statement(
    lambda mark: (
        Sensor.objects.filter(among("pk", [mark]))
        .order_by()
        .values_list(_newest_key(), _newest_key(_BELIEVED_OF))
    )
)
_POINTS = Statement(
    lambda mark: (
        CalibrationPoint.objects.filter(calibration_id__among=[mark])
        .order_by("calibration_id", "number")
        .values_list(*_POINT)
    ),
    uuids=True,
)
_POINTS_OF_SENSOR = Statement(
    lambda mark: (
        CalibrationPoint.objects.filter(calibration__sensor=mark)
        .order_by("calibration_id", "number")
        .values_list(*_POINT)
    )
)
_FLAGS = Statement(
    lambda mark: (
        DriftFlag.objects.filter(calibration_id__among=[mark]).order_by("kind").values_list(*FLAG)
    ),
    uuids=True,
)
_FLAGS_OF_SENSOR = Statement(
    lambda mark: (
        DriftFlag.objects.filter(sensor=mark).order_by("opened_at", "pk").values_list(*FLAG)
    )
)
