"""Columns that are read again and again, with other keys each time."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any
from uuid import UUID

import numpy as np
from django.db.models import Q, QuerySet

from calibration.columns.conditions import among, among_uuids, around
from calibration.columns.kinds import NO_DATE, NO_MOMENT, Array, Kind, form, moment_of
from calibration.columns.reading import read, texts
from fleet.statements import Statement

TEXT = "text"  # without control characters
_FEW = 32  # keys: the rows of more are cheaper by COPY, whose SQL is put together each time
_EPOCH = date(1970, 1, 1).toordinal()


class Reading:
    """The columns of some keys' rows, as `read` gives them, and texts besides.

    Of a few keys by a statement that is put together once and prepared once a connection: to make
    the SQL of a COPY takes longer than the database needs to answer it.

    Parameters
    ----------
    rows : callable
        Returns the query, in its order.
    key : str
        The field that the keys are of.
    fields : mapping
        Field (or annotation) and kind of each column, by its name here. Beside the kinds of
        `read` there is `TEXT`; of a query that has one, the order must be a full one.
    closely : bool
        Whether rows of keys between those asked for may be among what is found.
    uuids : bool
        Whether the keys are UUIDs, given as their bytes (V16), and not whole numbers.
    """

    def __init__(
        self,
        rows: "Callable[[], QuerySet[Any, Any]]",
        key: str,
        fields: Mapping[str, tuple[str, Kind]],
        *,
        closely: bool = False,
        uuids: bool = False,
    ) -> None:
        self._rows, self._key, self._uuids, self.fields = rows, key, uuids, fields
        self._condition = among_uuids if uuids else around if closely else among
        paths = [path for path, _ in fields.values()]
        self._few = Statement(
            lambda mark: rows().filter(**{f"{key}__among": [mark]}).values_list(*paths),
            uuids=uuids,
        )

    def of(self, keys: Array) -> dict[str, Array]:
        """Return the columns of these keys' rows."""
        if len(keys) > _FEW:
            return self._of_many(self._condition(self._key, keys))
        listed = keys.tolist()
        rows = self._few.many([UUID(bytes=key) for key in listed] if self._uuids else listed)
        found = list(zip(*rows, strict=True)) if rows else [()] * len(self.fields)
        return {
            name: _as_array(kind, values)
            for (name, (_, kind)), values in zip(self.fields.items(), found, strict=True)
        }

    def _of_many(self, asked: Q) -> dict[str, Array]:
        rows = self._rows().filter(asked)
        plain = {name: said for name, said in self.fields.items() if said[1] != TEXT}
        found = read(
            rows.values_list(*(path for path, _ in plain.values())),
            **{name: kind for name, (_, kind) in plain.items()},
        )
        for name, (path, kind) in self.fields.items():
            if kind == TEXT:
                found[name] = texts(rows.values_list(path))
        return found


def _as_array(kind: Kind, values: Sequence[Any]) -> Array:
    if isinstance(kind, tuple):
        place = {text: i for i, text in enumerate(kind)}
        return np.array([place.get(value, -1) for value in values], dtype=form(kind).own)
    if kind == TEXT:
        return np.array(values, dtype=np.str_)
    if kind == "uuid":
        empty = bytes(16)
        whole = b"".join(empty if value is None else value.bytes for value in values)
        return np.frombuffer(whole, dtype=form(kind).own)
    given = _PLAIN[kind](values) if kind in _PLAIN else values
    return np.array(given, dtype=form(kind).own)


_PLAIN: dict[str, Callable[[Sequence[Any]], Sequence[Any]]] = {
    "key": lambda values: [-1 if value is None else value for value in values],
    "moment": lambda values: [NO_MOMENT if at is None else moment_of(at) for at in values],
    "date": lambda values: [
        NO_DATE if day is None else day.toordinal() - _EPOCH for day in values
    ],
}  # in a real, None becomes NaN
