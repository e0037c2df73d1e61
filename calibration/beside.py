"""Columns of rows that are there once for a sensor, laid beside the sensors in their order."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from django.db.models import Q, QuerySet
from numpy.typing import NDArray

from calibration import columns
from calibration.columns import NO_DATE, NO_MOMENT

Ints = NDArray[np.int64]
Uuids = NDArray[np.void]

NO_RECORD = bytes(16)
AT_ONCE = 10_000  # SQLite takes at most 32,766 values in one statement

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
    among: Q | None = None,
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
    asked = columns.around(key, sensor) if among is None else among
    table = columns.read(
        rows.filter(asked).order_by().values_list(key, *fields), of="key", **kinds
    )
    place, here = columns.located(sensor, table["of"])
    for name, values in found.items():
        values[place[here]] = table[name][here]
    return found


def has_one(record: Uuids) -> NDArray[np.bool_]:
    """Return where there is a record, (N,)."""
    return np.asarray((columns.halves(record) != 0).any(axis=1))


def are_others(record: Uuids, other: Uuids) -> NDArray[np.bool_]:
    """Return where two columns name different records, (N,)."""
    return np.asarray((columns.halves(record) != columns.halves(other)).any(axis=1))
