"""Columns of rows that are there once for a sensor, laid beside the sensors in their order."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from django.db.models import QuerySet
from numpy.typing import NDArray

from calibration import columns
from calibration.columns import NO_DATE, NO_MOMENT

Ints = NDArray[np.int64]
Uuids = NDArray[np.void]

NO_RECORD = bytes(16)
OF = "of"
AT_ONCE = 10_000  # SQLite takes at most 32,766 values in one statement

_MISSING: dict[Any, tuple[str, Any]] = {
    "key": ("i8", -1),
    "date": ("i8", NO_DATE),
    "moment": ("i8", NO_MOMENT),
    "real": ("f8", np.nan),
    "uuid": ("V16", NO_RECORD),
}


class Beside:
    """Fields of rows that are there at most once for each sensor.

    Parameters
    ----------
    rows : callable
        Returns what to read from; it is narrowed to the sensors here.
    fields : mapping
        Field (or annotation) and kind of each column, as in `columns.Reading`.
    key : str
        The field that holds the sensor.
    """

    def __init__(
        self,
        rows: "Callable[[], QuerySet[Any, Any]]",
        fields: Mapping[str, tuple[str, columns.Kind]],
        *,
        key: str = "sensor",
    ) -> None:
        self._fields = fields
        self._reading = columns.Reading(
            lambda: rows().order_by(), key, {OF: (key, "key"), **fields}, closely=True
        )

    def of(self, sensor: Ints) -> dict[str, Any]:
        """Return the fields beside the sensors.

        Parameters
        ----------
        sensor : (N,) array
            Keys, each once, ascending.

        Returns
        -------
        dict of (N,) arrays
            Where a sensor has no row: -1 for a key or code, NaN, zeros for a UUID, `NO_DATE`,
            `NO_MOMENT`.
        """
        table = self._reading.of(sensor)
        return laid(sensor, table.pop(OF), table, self._fields)


def laid(
    sensor: Ints,
    of: Ints,
    table: Mapping[str, Any],
    fields: Mapping[str, tuple[str, columns.Kind]],
) -> dict[str, Any]:
    """Return columns of rows that are these sensors' (`of`) beside the sensors."""
    place, here = columns.located(sensor, of)
    found = {}
    for name, (_, kind) in fields.items():
        form, missing = _MISSING.get(kind, ("i2", -1))
        found[name] = np.full(len(sensor), missing, dtype=form)
        found[name][place[here]] = table[name][here]
    return found


def has_one(record: Uuids) -> NDArray[np.bool_]:
    """Return where there is a record, (N,)."""
    return np.asarray((columns.halves(record) != 0).any(axis=1))


def are_others(record: Uuids, other: Uuids) -> NDArray[np.bool_]:
    """Return where two columns name different records, (N,)."""
    return np.asarray((columns.halves(record) != columns.halves(other)).any(axis=1))
