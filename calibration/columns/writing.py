"""Columns into the database: what differs is written, what does not is left alone."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
from django.db import connection, models

from calibration.columns.kinds import NO_DATE, SIGNATURE, Array, Kind, form, row_of, shifted
from fleet.statements import prepared

_SOURCE = "spanbook_incoming"  # a table of our own session
_FEW = 100  # rows that are sent as parameters: making and dropping a table costs more


@dataclass(frozen=True)
class Incoming:
    """Rows to be written, by column.

    Attributes
    ----------
    kinds, values
        Kind and (M,) array of each column, by the field's name; what is missing becomes NULL
        (in a `flag` nothing is missing).
    blobs
        Columns of texts, JSON texts or bytes: M values each.
    constants
        Texts that are the same in all rows.
    """

    kinds: Mapping[str, Kind]
    values: Mapping[str, Array]
    blobs: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        """Return M."""
        return len(next(iter(self.values.values())))


def upsert(model: type[models.Model], rows: Incoming, *, kept: Sequence[str] = ()) -> int:
    """Insert rows, or update those that differ; return how many were written.

    The model's primary key is among the columns. Those `kept` stay as they are in a row that is
    there. A row that is there is locked, also where nothing differs.
    """
    return _write(_upsert, model, rows, tuple(kept))


def insert(model: type[models.Model], rows: Incoming) -> int:
    """Insert rows that the database gives their keys; return how many were written."""
    return _write(_insert, model, rows)


def update(model: type[models.Model], rows: Incoming) -> int:
    """Update rows that are there, by the primary key among the columns; return how many were.

    All columns are in `kinds`.
    """
    assert model._meta.pk is not None
    key = model._meta.pk.name
    rest = {name: kind for name, kind in rows.kinds.items() if name != key}
    return _write(_update, model, Incoming(rest | {key: rows.kinds[key]}, rows.values))


def _write(
    how: "How", model: type[models.Model], rows: Incoming, kept: tuple[str, ...] = ()
) -> int:
    if not len(rows):
        return 0
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            if len(rows) <= _FEW:
                return _write_few(how, model, rows, kept)
            _fill_source(cursor, model, rows)
            source = _from_source(model, rows)
            cursor.execute(how(model, _names(rows), source, kept), _constants(rows))
            written = int(cursor.rowcount)
            cursor.execute(f"DROP TABLE {_SOURCE}")
            return written
        marks = f"SELECT {', '.join(['%s'] * len(_names(rows)))}"
        cursor.executemany(how(model, _names(rows), marks, kept), _plain_rows(rows))
        return int(cursor.rowcount)


def _names(rows: Incoming) -> list[str]:
    return [*rows.kinds, *rows.blobs, *rows.constants]


def _constants(rows: Incoming) -> list[str]:
    return list(rows.constants.values())


# The statement that writes columns (by the fields' names) of what a source gives.
How = Callable[[type[models.Model], Sequence[str], str, Sequence[str]], str]


def _insert(
    model: type[models.Model], names: Sequence[str], source: str, kept: Sequence[str]
) -> str:
    table, _, columns = _quoted(model, names)
    return f"INSERT INTO {table} ({', '.join(columns)}) {source}"  # nosec B608


def _upsert(
    model: type[models.Model], names: Sequence[str], source: str, kept: Sequence[str]
) -> str:
    table, key, columns = _quoted(model, names)
    fixed = {key, *_quoted(model, kept)[2]}
    rest = [name for name in columns if name not in fixed]
    differs = "IS DISTINCT FROM" if connection.vendor == "postgresql" else "IS NOT"
    where = " OR ".join(f"{table}.{name} {differs} excluded.{name}" for name in rest)
    updates = ", ".join(f"{name} = excluded.{name}" for name in rest)
    # Without WHERE, SQLite takes the ON of a SELECT for that of a join.
    return (
        f"{_insert(model, names, source, ())} WHERE true "  # nosec B608
        f"ON CONFLICT ({key}) DO UPDATE SET {updates} WHERE {where}"
    )


def _update(
    model: type[models.Model], names: Sequence[str], source: str, kept: Sequence[str]
) -> str:
    table, key, columns = _quoted(model, names)  # the key comes last
    if connection.vendor != "postgresql":  # older ones know no FROM here
        updates = ", ".join(f"{name} = %s" for name in columns[:-1])
        return f"UPDATE {table} SET {updates} WHERE {key} = %s"  # noqa: S608 # nosec B608
    updates = ", ".join(f"{name} = s.{name}" for name in columns[:-1])
    named = f"s ({', '.join(columns)})"
    return f"UPDATE {table} SET {updates} FROM ({source}) AS {named} WHERE {table}.{key} = s.{key}"  # noqa: S608 # nosec B608


def _quoted(model: type[models.Model], names: Sequence[str]) -> tuple[str, str, list[str]]:
    """Table, key and these columns as SQL names them."""
    quote = connection.ops.quote_name
    place = {each.name: quote(str(each.column)) for each in model._meta.concrete_fields}
    assert model._meta.pk is not None
    return quote(model._meta.db_table), place[model._meta.pk.name], [place[each] for each in names]


# ── PostgreSQL ────────────────────────────────────────────────────────────────


def _fill_source(cursor: Any, model: type[models.Model], rows: Incoming) -> None:
    """Copy the rows into a table of our own: fixed widths by numpy, blobs row by row."""
    types = [form(kind).cast for kind in rows.kinds.values()]
    bytea = [_type(model, name) == "bytea" for name in rows.blobs]
    types += ["bytea" if binary else "text" for binary in bytea]
    letters = [f"c{i}" for i in range(len(rows.kinds))] + [f"b{i}" for i in range(len(bytea))]
    columns = ", ".join(f"{name} {kind}" for name, kind in zip(letters, types, strict=True))
    cursor.execute(f"CREATE TEMPORARY TABLE {_SOURCE} ({columns})")
    content = _wire(rows)
    if rows.blobs:
        content = _with_blobs(content, rows)
    with cursor.copy(f"COPY {_SOURCE} FROM STDIN (FORMAT BINARY)") as copy:
        copy.write(SIGNATURE)
        copy.write(content)
        copy.write(b"\xff\xff")


def _wire(rows: Incoming) -> bytes:
    kinds = list(rows.kinds.values())
    table = np.zeros(len(rows), dtype=row_of(kinds))
    table["fields"] = len(kinds) + len(rows.blobs)
    for i, (name, kind) in enumerate(rows.kinds.items()):
        table[f"length{i}"] = table.dtype[f"c{i}"].itemsize
        own = np.asarray(rows.values[name]).astype(form(kind).own, copy=False)
        table[f"c{i}"] = shifted(own, -form(kind).shift)
    return table.tobytes()


def _with_blobs(content: bytes, rows: Incoming) -> bytes:
    width = len(content) // len(rows)
    parts: list[bytes] = []
    for i, blobs in enumerate(zip(*rows.blobs.values(), strict=True)):
        parts.append(content[i * width : (i + 1) * width])
        for blob in blobs:
            value = blob.encode() if isinstance(blob, str) else blob
            parts += [len(value).to_bytes(4, "big"), value]
    return b"".join(parts)


def _type(model: type[models.Model], name: str) -> str:
    return str(model._meta.get_field(name).db_type(connection))


def _from_source(model: type[models.Model], rows: Incoming) -> str:
    picked = [_null_back(f"c{i}", kind) for i, kind in enumerate(rows.kinds.values())]
    picked += [f"b{i}::{_type(model, name)}" for i, name in enumerate(rows.blobs)]
    picked += [f"%s::{_type(model, name)}" for name in rows.constants]
    return f"SELECT {', '.join(picked)} FROM {_SOURCE}"  # noqa: S608 # nosec B608


def _null_back(column: str, kind: Kind) -> str:
    """What is missing becomes NULL, a code its text."""
    if isinstance(kind, tuple):
        quoted = ", ".join(f"'{text}'" for text in kind)
        return f"(ARRAY[{quoted}])[{column} + 1]"
    if kind == "flag":
        return column
    return f"NULLIF({column}, {form(kind).missing}::{form(kind).cast})"


def _write_few(how: How, model: type[models.Model], rows: Incoming, kept: tuple[str, ...]) -> int:
    """Send each column as one array: one statement, which the server plans once."""
    sql = _statement_of_few(
        how, model, tuple(rows.kinds.items()), tuple(rows.blobs), tuple(rows.constants), kept
    )
    columns = [
        array_text(plain(rows.values[name], kind), moment=kind == "moment")
        for name, kind in rows.kinds.items()
    ]
    with prepared() as cursor:
        blobs = (list(blobs) for blobs in rows.blobs.values())
        cursor.execute(sql, [*_constants(rows), *columns, *blobs])
        return int(cursor.rowcount)


@cache
def _statement_of_few(
    how: How,
    model: type[models.Model],
    kinds: tuple[tuple[str, Kind], ...],
    blobs: tuple[str, ...],
    constants: tuple[str, ...],
    kept: tuple[str, ...],
) -> str:
    casts = ["text" if isinstance(kind, tuple) else form(kind).cast for _, kind in kinds]
    casts += ["bytea" if _type(model, name) == "bytea" else "text" for name in blobs]
    arrays = ", ".join(f"%s::{cast}[]" for cast in casts)
    letters = [f"c{i}" for i in range(len(casts))]
    picked = letters[: len(kinds)]
    picked += [
        f"{letter}::{_type(model, name)}"
        for letter, name in zip(letters[len(kinds) :], blobs, strict=True)
    ]
    picked += [f"%s::{_type(model, name)}" for name in constants]
    source = f"SELECT {', '.join(picked)} FROM unnest({arrays}) AS t({', '.join(letters)})"  # noqa: S608 # nosec B608
    names = [*(name for name, _ in kinds), *blobs, *constants]
    return how(model, names, source, kept)


def array_text(values: Sequence[Any], *, moment: bool) -> str:
    """Return values as PostgreSQL writes an array; moments are in UTC."""
    zone = "+00" if moment else ""
    quoted = ["NULL" if each is None else f'"{each}{zone}"' for each in values]
    return f"{{{','.join(quoted)}}}"


# ── SQLite ────────────────────────────────────────────────────────────────────


def _plain_rows(rows: Incoming) -> list[tuple[Any, ...]]:
    columns = [plain(rows.values[name], kind) for name, kind in rows.kinds.items()]
    columns += [list(values) for values in rows.blobs.values()]
    columns += [[text] * len(rows) for text in rows.constants.values()]
    return list(zip(*columns, strict=True))


def plain(column: Array, kind: Kind) -> list[Any]:
    """Return a column as Python's values, None where it is missing."""
    by = _PLAIN["code" if isinstance(kind, tuple) else kind]
    return by(np.asarray(column).astype(form(kind).own, copy=False), kind)


def _none_where(values: list[Any], missing: Array) -> list[Any]:
    for i in np.flatnonzero(missing).tolist():
        values[i] = None
    return values


def _uuids(values: Array, _: Kind) -> list[Any]:
    content = values.tobytes().hex()
    found: list[Any] = [content[i : i + 32] for i in range(0, len(content), 32)]
    empty = "0" * 32
    return [None if value == empty else value for value in found]


_PLAIN: dict[str, Callable[[Array, Any], list[Any]]] = {
    "key": lambda values, _: _none_where(values.tolist(), values == -1),
    "code": lambda values, texts: [None if code < 0 else texts[code] for code in values.tolist()],
    "real": lambda values, _: _none_where(values.tolist(), np.isnan(values)),
    "flag": lambda values, _: values.tolist(),
    "uuid": _uuids,
    "moment": lambda values, _: [
        None if text == "NaT" else text.replace("T", " ").removesuffix(".000000")
        for text in np.datetime_as_string(values.astype("datetime64[us]")).tolist()
    ],
    "date": lambda values, _: _none_where(
        np.datetime_as_string(values.astype("datetime64[D]")).tolist(), values == NO_DATE
    ),
}
