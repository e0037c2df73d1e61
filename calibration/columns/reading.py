"""Columns out of the database."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from django.core.exceptions import EmptyResultSet
from django.db import connection, models
from numpy.typing import NDArray

from calibration.columns.kinds import (
    NO_DATE,
    NO_MOMENT,
    SIGNATURE,
    Array,
    Kind,
    form,
    names,
    shifted,
)

_ARRAY_HEAD = 20  # dimensions, NULLs or not, type, length, first place


def read(queryset: "models.QuerySet[Any, Any]", **kinds: Kind) -> dict[str, Array]:
    """Read a query's columns.

    Parameters
    ----------
    queryset
        With `values_list`, one column for each kind.
    kinds
        Name and kind of each column, in order: `key` (int64), `real` (float64), `flag` (bool),
        `uuid` (V16), `moment` (int64, microseconds since 1970 UTC), `date` (int32, days since
        1970), a tuple of texts (int16, the place in the tuple), or `bytes` (uint8, those of all
        rows laid end to end).

    Returns
    -------
    dict of (M,) arrays

    Raises
    ------
    ValueError
        If the database answers in another form than was asked for.
    """
    return _read(queryset, kinds)


def read_in_parts(
    queryset: "models.QuerySet[Any, Any]", part: str, /, **kinds: Kind
) -> dict[str, Array]:
    """Read a query's columns, as `read` does; rows of one `part` come together, in any order.

    Megabytes of `bytes` come three times as fast in parts as they do in one piece.
    """
    return _read(queryset, kinds, part)


def _read(
    queryset: "models.QuerySet[Any, Any]", kinds: Mapping[str, Kind], part: str = ""
) -> dict[str, Array]:
    try:
        sql, params = queryset.query.sql_with_params()
    except EmptyResultSet:
        return _nothing(kinds)
    return answered(sql, params, kinds, part)


def answered(
    sql: str, params: Sequence[Any], kinds: Mapping[str, Kind], part: str = ""
) -> dict[str, Array]:
    """Read the columns of a statement's rows, as `read` does those of a query's."""
    if connection.vendor == "postgresql":
        return _copied(sql, params, kinds, part)
    picked = ", ".join(
        _code(f"c{i}", kind) if isinstance(kind, tuple) else f"c{i}"
        for i, kind in enumerate(kinds.values())
    )
    with connection.cursor() as cursor:
        cursor.execute(
            f"WITH t({names(len(kinds))}) AS ({sql}) SELECT {picked} FROM t",  # noqa: S608 # nosec B608
            params,
        )
        rows = cursor.fetchall()
    found = list(zip(*rows, strict=True)) if rows else [()] * len(kinds)
    return {
        name: _PLAIN["code" if isinstance(kind, tuple) else kind](values)
        for (name, kind), values in zip(kinds.items(), found, strict=True)
    }


def texts(queryset: "models.QuerySet[Any, Any]") -> NDArray[np.str_]:
    """Read a query's only column, a text without control characters, in the query's order."""
    try:
        sql, params = queryset.query.sql_with_params()
    except EmptyResultSet:
        return np.array([], dtype=np.str_)
    return texts_answered(sql, params)


def texts_answered(sql: str, params: Sequence[Any]) -> NDArray[np.str_]:
    """Read the only column of a statement's rows, as `texts` does that of a query's."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"SELECT string_agg(c0, chr(31)) FROM ({sql}) AS t(c0)", params)  # noqa: S608 # nosec B608
            (whole,) = cursor.fetchone()
            return np.array([] if whole is None else whole.split("\x1f"), dtype=np.str_)
        cursor.execute(sql, params)
        return np.array([text for (text,) in cursor.fetchall()], dtype=np.str_)


def located(keys: Array, wanted: Array) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return where each wanted key stands among some that are all different, and if it does."""
    if not len(keys):
        return np.zeros(len(wanted), dtype=np.int64), np.zeros(len(wanted), dtype=bool)
    order = np.argsort(keys)
    at = np.minimum(np.searchsorted(keys, wanted, sorter=order), len(keys) - 1)
    place = order[at]
    return place, np.asarray(keys[place] == wanted)


def _code(column: str, texts: Sequence[str]) -> str:
    whens = " ".join(f"WHEN '{text}' THEN {place}" for place, text in enumerate(texts))
    return f"CASE {column} {whens} ELSE -1 END"


def _copied(
    sql: str, params: Sequence[Any], kinds: Mapping[str, Kind], part: str
) -> dict[str, Array]:
    """Read by COPY: one row of one array for each column, so that no row is handled here."""
    picked = []
    for i, kind in enumerate(kinds.values()):
        if kind == "bytes":
            picked.append(f"string_agg(c{i}, '')")
            continue
        value = _code(f"c{i}", kind) if isinstance(kind, tuple) else f"c{i}"
        cast = form(kind).cast
        picked.append(f"array_agg(COALESCE(({value})::{cast}, {form(kind).missing}::{cast}))")
    whole = f"SELECT {', '.join(picked)} FROM ({sql}) AS t({names(len(kinds))})"  # noqa: S608 # nosec B608
    if part:
        whole += f" GROUP BY c{list(kinds).index(part)}"
    with connection.cursor() as cursor:
        parts = list(_parts(_content(cursor, whole, params), kinds)) or [_nothing(kinds)]
    if len(parts) == 1:
        return parts[0]
    return {name: np.concatenate([each[name] for each in parts]) for name in kinds}


def _parts(content: bytearray, kinds: Mapping[str, Kind]) -> Iterator[dict[str, Array]]:
    """The rows on the wire: how many fields, then the length and the content of each."""
    at = len(SIGNATURE)
    while int.from_bytes(content[at : at + 2], "big") == len(kinds):
        at += 2
        found = {}
        for name, kind in kinds.items():
            size = int.from_bytes(content[at : at + 4], "big", signed=True)
            at += 4
            if kind == "bytes":
                found[name] = np.frombuffer(content, dtype="u1", count=max(size, 0), offset=at)
            else:
                wired = _array(name, content, at, size, form(kind).wire)
                found[name] = shifted(wired.astype(form(kind).own), form(kind).shift)
            at += max(size, 0)
        yield found


def _nothing(kinds: Mapping[str, Kind]) -> dict[str, Array]:
    return {name: np.zeros(0, dtype=form(kind).own) for name, kind in kinds.items()}


def _array(name: str, content: bytearray, at: int, size: int, wire: str) -> Array:
    """One column on the wire: a head, then the length of each value and the value."""
    row = np.dtype([("length", ">i4"), ("value", wire)])
    if size <= 0:  # no rows
        return np.zeros(0, dtype=wire)
    count = (size - _ARRAY_HEAD) // row.itemsize
    table = np.frombuffer(content, dtype=row, count=count, offset=at + _ARRAY_HEAD)
    if _ARRAY_HEAD + table.nbytes != size or (table["length"] != row["value"].itemsize).any():
        message = f"COPY: {name} is not {row['value'].itemsize} bytes wide everywhere"
        raise ValueError(message)
    return table["value"]


def _content(cursor: Any, sql: str, params: Sequence[Any]) -> bytearray:
    content = bytearray()
    # Composed here: a cursor that logs its queries takes a COPY without parameters only.
    postgresql: Any = connection.ops
    statement = postgresql.compose_sql(f"COPY ({sql}) TO STDOUT (FORMAT BINARY)", params)
    with cursor.copy(statement) as copy:
        for block in copy:
            content += block
    return content


def _ints(values: Sequence[Any]) -> Array:
    if None in values:
        values = [-1 if value is None else value for value in values]
    return np.array(values, dtype=np.int64)


def _uuids(values: Sequence[Any]) -> Array:
    text = "".join("0" * 32 if value is None else value for value in values)
    return np.frombuffer(bytes.fromhex(text), dtype="V16")


def _moments(values: Sequence[Any]) -> Array:
    return np.array(values, dtype="datetime64[us]").astype(np.int64)  # NaT is NO_MOMENT


def _dates(values: Sequence[Any]) -> Array:
    days = np.array(values, dtype="datetime64[D]").astype(np.int64)
    return np.where(days == NO_MOMENT, NO_DATE, days).astype(np.int32)


_PLAIN: dict[str, Callable[[Sequence[Any]], Array]] = {
    "key": _ints,
    "code": lambda values: np.array(values, dtype=np.int16),
    "real": lambda values: np.array(values, dtype=np.float64),
    "flag": lambda values: np.array(values, dtype=np.bool_),
    "uuid": _uuids,
    "moment": _moments,
    "date": _dates,
    "bytes": lambda values: np.frombuffer(b"".join(values), dtype="u1"),
}
