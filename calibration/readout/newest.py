"""The newest numbers of many sensors, as a page of a fleet and a visit sheet show them."""

from collections import defaultdict, namedtuple
from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from calibration.columns import among
from calibration.models import Calibration, DriftFlag
from calibration.readout.calibrations import fit_of
from calibration.readout.doubts import doubt_of
from calibration.readout.flags import moment
from calibration.readout.rows import FIT, newest_keys, points_of
from fleet.statements import Statement

_PATHS: Mapping[str, str] = {
    **{
        name: name
        for name in ("id", "sensor_id", "performed_at", "reason", "stage", "load_unit",
                     "reading_unit")
    },
    "sensor_reading_unit": "sensor__model__reading_unit",
    "season": "judgement__season",
    "verdict": "judgement__verdict",
    "trusted": "judgement__trusted",
    "causes": "judgement__causes",
    **{f"fit_{name}": f"fit__{name}" for name in FIT},
}  # fmt: skip
_Row = namedtuple("_Row", tuple(_PATHS))  # type: ignore[misc] # named above
_NUMBERS = Statement(
    lambda mark: (
        Calibration.objects.filter(pk__among=[mark]).order_by().values_list(*_PATHS.values())
    ),
    uuids=True,
)
_FLAG = ("id", "kind", "level", "status", "magnitude", "tolerance", "p_out")
_OPEN = Statement(
    lambda mark: (
        DriftFlag.objects.filter(among("sensor", [mark]))
        .exclude(status=DriftFlag.Status.CLOSED)
        .order_by("-opened_at", "-pk")
        .values_list("sensor_id", *_FLAG, "opened_at")
    )
)


def newest_numbers(
    sensor_ids: Sequence[int], *, points: bool = False
) -> dict[int, dict[str, Any]]:
    """Return each sensor's newest calibration that nothing supersedes, in the units typed.

    Of sensors that the caller may see: nothing in it is anybody's remark.
    """
    return _read(newest_keys(sensor_ids), points=points)


def believed_numbers(newest: Mapping[int, dict[str, Any]]) -> dict[int, dict[str, Any]]:
    """Return the numbers that the next ones are expected from, given each sensor's newest.

    Those themselves, or where the judgement does not believe them, the newest that it believes;
    a sensor of which it believes none is left out. With their points.
    """
    doubted = [sensor for sensor, numbers in newest.items() if numbers["doubt"]]
    earlier = _read(newest_keys(doubted, believed=True), points=True) if doubted else {}
    return {key: said for key, said in newest.items() if not said["doubt"]} | earlier


def _read(keys: Sequence[UUID], *, points: bool) -> dict[int, dict[str, Any]]:
    found = {row[1]: _numbers(_Row._make(row)) for row in _NUMBERS.many(keys)}
    if points:
        pointed = points_of(keys)
        for numbers in found.values():
            numbers["points"] = pointed.get(UUID(numbers["calibration"]), [])
    return found


def open_flags(sensor_ids: Sequence[int]) -> dict[int, list[dict[str, Any]]]:
    """Return what stands open of each of some visible sensors, what was opened last first."""
    found: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for sensor, *said, opened_at in _OPEN.many(sensor_ids):
        flag = dict(zip(_FLAG, said, strict=True))
        found[sensor].append(flag | {"opened_at": moment(opened_at)})
    return found


def _numbers(row: Any) -> dict[str, Any]:
    return {
        "calibration": str(row.id),
        "performed_at": moment(row.performed_at),
        "reason": row.reason,
        "stage": row.stage,
        "season": row.season,
        "verdict": row.verdict,
        "load_unit": row.load_unit,
        "reading_unit": row.reading_unit,
        "fit": fit_of(row),
        "doubt": doubt_of(trusted=row.trusted, causes=row.causes),
    }
