"""Columns of rows that are there once for a sensor, laid beside the sensors in their order."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
from django.db.models import Q, QuerySet
from numpy.typing import NDArray

from calibration import columns
from calibration.columns import NO_DATE

Ints = NDArray[np.int64]
Uuids = NDArray[np.void]

NO_MOMENT = np.iinfo(np.int64).min
NO_RECORD = bytes(16)
AT_ONCE = 10_000  # SQLite takes at most 32,766 values in one statement
_FEW = 2000  # so many sensors are named one by one
_DENSE = 4  # a range of keys is read where it holds at most so many times what is asked for

_MISSING: dict[Any, tuple[str, Any]] = {
    "key": ("i8", -1),
    "date": ("i8", NO_DATE),
    "moment": ("i8", NO_MOMENT),
    "real": ("f8", np.nan),
    "uuid": ("V16", NO_RECORD),
}


def read_beside(
    sensor: Ints,
    rows: "QuerySet[Any, Any]",
    fields: tuple[str, ...],
    kinds: Mapping[str, columns.Kind],
    *,
    key: str = "sensor",
    among: Iterable[Q] | None = None,
) -> dict[str, Any]:
    """Read fields of rows that are there at most once for each sensor.

    Parameters
    ----------
    sensor : (N,) array
        Keys, each once, ascending.
    rows
        What to read from; it is narrowed to these sensors here.
    fields, kinds
        As in `columns.read`.
    key
        The field that holds the sensor.
    among
        What asks for these sensors' rows, where that is not simply their keys.

    Returns
    -------
    dict of (N,) arrays
        Where a sensor has no row: -1 for a key or code, NaN, zeros for a UUID, `NO_DATE`,
        `NO_MOMENT`.
    """
    found = {}
    for name, kind in kinds.items():
        form, missing = _MISSING.get(kind, ("i2", -1))
        found[name] = np.full(len(sensor), missing, dtype=form)
    for asked in asking_for(sensor, key) if among is None else among:
        some = rows.filter(asked).order_by().values_list(key, *fields)
        table = columns.read(some, of="key", **kinds)
        place = np.searchsorted(sensor, table["of"])
        place[place == len(sensor)] = 0
        kept = np.flatnonzero(sensor[place] == table["of"])
        for name, values in found.items():
            values[place[kept]] = table[name][kept]
    return found


def asking_for(sensor: Ints, key: str) -> Iterator[Q]:
    """Yield what asks for sensors: a range of keys, and more with it, where they lie close."""
    if len(sensor) > _FEW and sensor[-1] - sensor[0] < _DENSE * len(sensor):
        yield Q((f"{key}__gte", int(sensor[0])), (f"{key}__lte", int(sensor[-1])))
        return
    for start in range(0, len(sensor), AT_ONCE):
        yield Q((f"{key}__in", sensor[start : start + AT_ONCE].tolist()))


def has_one(record: Uuids) -> NDArray[np.bool_]:
    """Return where there is a record, (N,)."""
    return np.asarray((_halves(record) != 0).any(axis=1))


def are_others(record: Uuids, other: Uuids) -> NDArray[np.bool_]:
    """Return where two columns name different records, (N,)."""
    return np.asarray((_halves(record) != _halves(other)).any(axis=1))


def _halves(record: Uuids) -> Ints:
    """UUIDs as two whole numbers each, (N, 2): quick to compare."""
    return np.ascontiguousarray(record).view(np.int64).reshape(-1, 2)
