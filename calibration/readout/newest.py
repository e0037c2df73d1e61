"""The newest numbers of many sensors, as a page of a fleet and a visit sheet show them."""

from collections import defaultdict, namedtuple
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any
from uuid import UUID

from calibration.columns import among
from calibration.models import Calibration, DriftFlag
from calibration.readout import deciding
from calibration.readout.calibrations import fit_of
from calibration.readout.doubts import doubt_of
from calibration.readout.flags import moment
from calibration.readout.rows import FIT, believed_keys, newest_keys, points_of
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
    "common_change_pct": "judgement__common_change_pct",
    "reference_moved": "judgement__reference_moved",
    "reference_returned_pct": "judgement__reference_returned_pct",
    "slope_tolerance_pct": "judgement__slope_tolerance_pct",
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


def newest_numbers(sensor_ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    """Return each sensor's newest calibration that nothing supersedes, in the units typed.

    Of sensors that the caller may see: nothing in it is anybody's remark.
    """
    return dict(_read(newest_keys(sensor_ids)).values())


def last_and_believed(
    sensor_ids: Sequence[int],
) -> tuple[dict[int, dict[str, Any]], dict[int, dict[str, Any]]]:
    """Return the same with their points, and the numbers that the next ones are expected from.

    Those are the newest themselves, or where the judgement does not believe them, the newest that
    it believes; of a sensor of which it believes none there are none.
    """
    keys = believed_keys(sensor_ids)
    read = _read({key for pair in keys for key in pair if key})
    pointed = points_of(list(read))
    for key, (_, numbers) in read.items():
        numbers["points"] = pointed.get(key, [])
    last = dict(read[key] for key, _ in keys)
    earlier = dict(read[key] for _, key in keys if key)
    return last, earlier | {at: numbers for at, numbers in last.items() if not numbers["doubt"]}


def open_flags(sensor_ids: Sequence[int]) -> dict[int, list[dict[str, Any]]]:
    """Return what stands open of each of some visible sensors, what was opened last first."""
    found: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for sensor, *said, opened_at in _OPEN.many(sensor_ids):
        flag = dict(zip(_FLAG, said, strict=True))
        found[sensor].append(flag | {"opened_at": moment(opened_at)})
    return found


def _read(keys: Collection[UUID]) -> dict[UUID, tuple[int, dict[str, Any]]]:
    """Read calibrations by their keys, each with its sensor."""
    rows: Iterable[Any] = map(_Row._make, _NUMBERS.many(list(keys)))
    return {row.id: (row.sensor_id, _numbers(row)) for row in rows}


def _numbers(row: Any) -> dict[str, Any]:
    doubt = doubt_of(trusted=row.trusted, causes=row.causes, moved=deciding.moved_in(row))
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
        "doubt": doubt,
    }
