"""Whole columns in and out of the database: rows never become Python objects one by one.

PostgreSQL speaks binary COPY both ways, SQLite its plain cursor; both give and take the same
arrays. What is missing is NaN in a real, -1 in a key or code, zeros in a UUID, and `NO_DATE` in a
date.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db import connection, models
from numpy.typing import NDArray

Array = NDArray[Any]
Kind = str | tuple[str, ...]  # a kind below, or the texts that a code stands for

NO_DATE = np.iinfo(np.int32).min
_EPOCH_2000_US = 946_684_800_000_000
_EPOCH_2000_DAYS = 10_957
_SIGNATURE = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_ARRAY_HEAD = 20  # dimensions, NULLs or not, type, length, first place


@dataclass(frozen=True)
class _Form:
    """How a kind looks on the wire of PostgreSQL, and in our arrays."""

    cast: str
    wire: str
    own: str
    missing: str
    shift: int = 0


_FORMS = {
    "key": _Form("bigint", ">i8", "<i8", "-1"),
    "real": _Form("float8", ">f8", "<f8", "'NaN'::float8"),
    "flag": _Form("boolean", "?", "?", "false"),
    "uuid": _Form("uuid", "V16", "V16", f"'{'0' * 32}'::uuid"),
    "moment": _Form("timestamptz", ">i8", "<i8", "'-infinity'::timestamptz", _EPOCH_2000_US),
    "date": _Form("date", ">i4", "<i4", "'-infinity'::date", _EPOCH_2000_DAYS),
}
_CODE = _Form("smallint", ">i2", "<i2", "-1")


def _form(kind: Kind) -> _Form:
    return _CODE if isinstance(kind, tuple) else _FORMS[kind]


def read(queryset: "models.QuerySet[Any, Any]", **kinds: Kind) -> dict[str, Array]:
    """Read a query's columns.

    Parameters
    ----------
    queryset
        With `values_list`, one column for each kind.
    kinds
        Name and kind of each column, in order: `key` (int64), `real` (float64), `flag` (bool),
        `uuid` (V16), `moment` (int64, microseconds since 1970 UTC), `date` (int32, days since
        1970), or a tuple of texts (int16, the place in the tuple).

    Returns
    -------
    dict of (M,) arrays

    Raises
    ------
    ValueError
        If the database answers in another form than was asked for.
    """
    sql, params = queryset.query.sql_with_params()
    forms = {name: _form(kind) for name, kind in kinds.items()}
    if connection.vendor == "postgresql":
        wrapped = f"SELECT {_wired(kinds)} FROM ({sql}) AS t({_names(len(kinds))})"  # noqa: S608 - our own SQL
        return _copied(wrapped, params, forms)
    wrapped = f"WITH t({_names(len(kinds))}) AS ({sql}) SELECT {_plain(kinds)} FROM t"  # noqa: S608 - our own SQL
    with connection.cursor() as cursor:
        cursor.execute(wrapped, params)
        rows = cursor.fetchall()
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(kinds)
    return {
        name: _READ.get("code" if isinstance(kind, tuple) else kind, _ints)(values)
        for (name, kind), values in zip(kinds.items(), columns, strict=True)
    }


def _names(count: int) -> str:
    return ", ".join(f"c{i}" for i in range(count))


def _case(column: str, texts: Sequence[str]) -> str:
    whens = " ".join(f"WHEN '{text}' THEN {place}" for place, text in enumerate(texts))
    return f"CASE {column} {whens} ELSE -1 END"


def _wired(kinds: Mapping[str, Kind]) -> str:
    """PostgreSQL's columns: an array of each, of one width, and never NULL."""
    found = []
    for i, kind in enumerate(kinds.values()):
        form = _form(kind)
        value = (
            _case(f"c{i}", kind) if isinstance(kind, tuple) else f"COALESCE(c{i}, {form.missing})"
        )
        found.append(f"array_agg(({value})::{form.cast})")
    return ", ".join(found)


def _plain(kinds: Mapping[str, Kind]) -> str:
    return ", ".join(
        _case(f"c{i}", kind) if isinstance(kind, tuple) else f"c{i}"
        for i, kind in enumerate(kinds.values())
    )


def _copied(sql: str, params: Sequence[Any], forms: Mapping[str, _Form]) -> dict[str, Array]:
    """Read by COPY: one row of one array for each column, so that no row is handled here."""
    # Composed here: a cursor that logs its queries takes a COPY without parameters only.
    postgresql: Any = connection.ops
    statement = postgresql.compose_sql(f"COPY ({sql}) TO STDOUT (FORMAT BINARY)", params)
    content = bytearray()
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        for block in copy:
            content += block
    at = len(_SIGNATURE) + 2
    found = {}
    for name, form in forms.items():
        size = int.from_bytes(content[at : at + 4], "big", signed=True)
        at += 4
        found[name] = _shifted(_array(name, content, at, size, form.wire), form)
        at += max(size, 0)
    return found


def _array(name: str, content: bytearray, at: int, size: int, wire: str) -> Array:
    """One column on the wire: a head, then the length of each value and the value."""
    row = np.dtype([("length", ">i4"), ("value", wire)])
    if size <= 0:  # no rows
        return np.zeros(0, dtype=wire)
    count = (size - _ARRAY_HEAD) // row.itemsize
    table = np.frombuffer(content, dtype=row, count=count, offset=at + _ARRAY_HEAD)
    if _ARRAY_HEAD + table.nbytes != size or (table["length"] != row["value"].itemsize).any():
        raise ValueError(f"COPY: {name} is not {row['value'].itemsize} bytes wide everywhere")
    return table["value"]


def _shifted(wired: Array, form: _Form) -> Array:
    """Days or microseconds since 1970 instead of 2000; what is missing stays the least number."""
    values = wired.astype(form.own)
    if form.shift:
        values[values != np.iinfo(values.dtype).min] += form.shift
    return values


def _ints(values: Sequence[Any]) -> Array:
    if None in values:
        values = [-1 if value is None else value for value in values]
    return np.array(values, dtype=np.int64)


def _uuids(values: Sequence[Any]) -> Array:
    text = "".join("0" * 32 if value is None else value for value in values)
    return np.frombuffer(bytes.fromhex(text), dtype="V16")


_READ: dict[str, Callable[[Sequence[Any]], Array]] = {
    "key": _ints,
    "code": lambda values: np.array(values, dtype=np.int16),
    "real": lambda values: np.array(values, dtype=np.float64),
    "flag": lambda values: np.array(values, dtype=np.bool_),
    "uuid": _uuids,
    "moment": lambda values: np.array(values, dtype="datetime64[us]").astype(np.int64),
    "date": lambda values: np.where(
        np.isnat(days := np.array(values, dtype="datetime64[D]")), NO_DATE, days.astype(np.int64)
    ).astype(np.int32),
}
