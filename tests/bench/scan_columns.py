"""Columns of a table as arrays, into PostgreSQL by binary COPY or into SQLite row by row.

The kind of a column is its dtype: int64 a key (-1 is NULL), int32 and int16 numbers, float64 (NaN
is NULL), bool, `S` text in UTF-8, `V16` a UUID, `datetime64[us]` a moment in UTC, `datetime64[D]`
a day (NaT is NULL).
"""

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import psycopg
from numpy.typing import NDArray
from psycopg import sql

Array = NDArray[Any]

SIGNATURE = b"PGCOPY\n\xff\r\n\0" + bytes(8)
TRAILER = b"\xff\xff"
EPOCH_2000_US = 946_684_800_000_000
EPOCH_2000_DAYS = 10_957


@dataclass(frozen=True)
class Table:
    """Some rows of a table."""

    name: str
    columns: dict[str, Array]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values())))


def copy_in(connection: psycopg.Connection[Any], tables: Iterable[Table]) -> int:
    """Add rows by COPY; consecutive tables of one name share a COPY. Return how many rows."""
    rows = 0
    for table in tables:
        names = sql.SQL(", ").join(map(sql.Identifier, table.columns))
        statement = sql.SQL("COPY {} ({}) FROM STDIN (FORMAT BINARY)").format(
            sql.Identifier(table.name), names
        )
        with connection.cursor() as cursor, cursor.copy(statement) as copy:
            copy.write(SIGNATURE + encoded(table) + TRAILER)
        rows += len(table)
    return rows


def encoded(table: Table) -> bytes:
    """Return the rows as binary COPY wants them: the fields' lengths and bytes, end to end.

    Every row is laid out in full width first; what NULLs and short texts do not use is then cut
    out of all rows at once.
    """
    width: list[tuple[str, str]] = [("fields", ">i2")]
    wired = {name: _wired(values) for name, values in table.columns.items()}
    for name, (values, _) in wired.items():
        width += [(f"{name}/length", ">i4"), (name, values.dtype.str)]
    rows = np.zeros(len(table), dtype=width)
    rows["fields"] = len(wired)
    keep: Array | None = None
    for name, (values, length) in wired.items():
        rows[name], rows[f"{name}/length"] = values, length
        size = values.dtype.itemsize
        if np.any(length != size):
            if keep is None:
                keep = np.ones((len(table), rows.dtype.itemsize), dtype=np.bool_)
            at = rows.dtype.fields[name][1]  # type: ignore[index] # a structured dtype has fields
            keep[:, at : at + size] = np.arange(size) < np.asarray(length)[:, None]
    flat = rows.view(np.uint8).reshape(len(table), -1)
    return flat.tobytes() if keep is None else flat[keep].tobytes()


def _wired(values: Array) -> tuple[Array, Array | int]:
    """Return a column as the wire has it, and the length of each field; -1 is NULL."""
    kind = values.dtype
    if kind.kind == "S":
        return values, np.char.str_len(values)
    if kind == "M8[us]":
        return (values.view(np.int64) - EPOCH_2000_US).astype(">i8"), 8
    if kind == "M8[D]":
        days = values.view(np.int64) - EPOCH_2000_DAYS
        return days.astype(">i4"), np.where(np.isnat(values), -1, 4)
    if kind == np.float64:
        return values.astype(">f8"), np.where(np.isnan(values), -1, 8)
    if kind == np.int64:
        return values.astype(">i8"), np.where(values < 0, -1, 8)
    return values.astype(kind.newbyteorder(">")), kind.itemsize


def insert_into(connection: sqlite3.Connection, tables: Iterable[Table]) -> int:
    """Add rows to an SQLite file, written as Django writes them. Return how many."""
    rows = 0
    for table in tables:
        names = ", ".join(f'"{name}"' for name in table.columns)
        marks = ", ".join("?" * len(table.columns))
        columns = [_plain(values) for values in table.columns.values()]
        connection.executemany(
            f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})', zip(*columns, strict=True)
        )
        rows += len(table)
    return rows


def _plain(values: Array) -> list[Any]:
    kind = values.dtype
    if kind == "V16":
        text = values.tobytes().hex()
        return [text[i : i + 32] for i in range(0, len(text), 32)]
    if kind.kind == "S":
        return np.char.decode(values, "utf-8").tolist()
    if kind == "M8[us]":
        return np.char.replace(np.datetime_as_string(values, unit="s"), "T", " ").tolist()
    missing = _missing(values)
    plain = np.datetime_as_string(values) if kind == "M8[D]" else values
    return np.where(missing, None, plain.astype(object)).tolist()


def _missing(values: Array) -> Array | bool:
    """Return where a number or day stands for NULL."""
    if values.dtype.kind in "fM":
        return np.isnan(values) if values.dtype.kind == "f" else np.isnat(values)
    return values < 0 if values.dtype == np.int64 else False
