"""Columns that are read again and again, with other keys each time."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any
from uuid import UUID

import numpy as np
from django.db.models import QuerySet

from calibration.columns.conditions import lie_close
from calibration.columns.kinds import NO_DATE, NO_MOMENT, Array, Kind, form, moment_of
from calibration.columns.reading import answered, texts_answered
from fleet.statements import Statement, listed

TEXT = "text"  # without control characters
_FEW = 32  # keys: the rows of more are cheaper by COPY
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
        self._uuids, self._closely, self.fields = uuids, closely, fields
        whole = [path for path, _ in fields.values()]
        self._few = _among(rows, key, whole, uuids)
        self._plain = {name: kind for name, (_, kind) in fields.items() if kind != TEXT}
        self._columns = _Asking(rows, key, [fields[name][0] for name in self._plain], uuids)
        self._texts = {
            name: _Asking(rows, key, [path], uuids)
            for name, (path, kind) in fields.items()
            if kind == TEXT
        }

    def of(self, keys: Array) -> dict[str, Array]:
        """Return the columns of these keys' rows."""
        if len(keys) > _FEW:
            return self._of_many(keys)
        given = keys.tolist()
        rows = self._few.many([UUID(bytes=key) for key in given] if self._uuids else given)
        found = list(zip(*rows, strict=True)) if rows else [()] * len(self.fields)
        return {
            name: _as_array(kind, values)
            for (name, (_, kind)), values in zip(self.fields.items(), found, strict=True)
        }

    def _of_many(self, keys: Array) -> dict[str, Array]:
        close = self._closely and lie_close(keys)
        given = (int(keys.min()), int(keys.max())) if close else (_listed(keys, self._uuids),)
        found = answered(*self._columns.asked(*given), self._plain)
        return found | {
            name: texts_answered(*asking.asked(*given)) for name, asking in self._texts.items()
        }


class _Asking:
    """The SQL of some columns: of rows with one of many keys, or with keys in a range."""

    def __init__(
        self,
        rows: "Callable[[], QuerySet[Any, Any]]",
        key: str,
        paths: Sequence[str],
        uuids: bool,  # noqa: FBT001 - handed on
    ) -> None:
        self._among = _among(rows, key, paths, uuids)
        self._range = Statement(
            lambda mark: (
                rows().filter(**{f"{key}__gte": mark, f"{key}__lte": mark}).values_list(*paths)
            )
        )

    def asked(self, *given: Any) -> tuple[str, list[Any]]:
        """Return the SQL for these keys, listed, or for the least and the greatest."""
        return (self._among if len(given) == 1 else self._range).asked(*given)


def _among(
    rows: "Callable[[], QuerySet[Any, Any]]",
    key: str,
    paths: Sequence[str],
    uuids: bool,  # noqa: FBT001 - handed on
) -> Statement:
    return Statement(
        lambda mark: rows().filter(**{f"{key}__among": [mark]}).values_list(*paths), uuids=uuids
    )


def _listed(keys: Array, uuids: bool) -> str:  # noqa: FBT001 - handed on
    if not uuids:
        return listed(keys.tolist())
    content = keys.tobytes().hex()
    return listed([content[at : at + 32] for at in range(0, len(content), 32)])


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
