"""New rows by the thousand into one table: COPY on PostgreSQL, one prepared INSERT on SQLite."""

import json
from collections.abc import Sequence
from typing import Any

from django.db import connection, models

from fleet.statements import prepared

_ESCAPES = str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"})
_NULL = "\\N"
_FEW = 4  # rows that are sent as parameters


def insert(model: type[models.Model], names: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """Insert rows in the transaction that is open; columns that are not named get their default.

    Parameters
    ----------
    names
        The attributes that each row gives, foreign keys as `..._id`.
    rows
        Texts, numbers, UUIDs, dates, aware datetimes and None, in the order of `names`; of a JSON
        field what it is to hold.

    Raises
    ------
    django.db.IntegrityError
        Where a row clashes with another, or a rule of the table refuses it.
    """
    if not rows:
        return
    by_name = {field.attname: field for field in model._meta.concrete_fields}
    fields = [by_name[name] for name in names]
    quote = connection.ops.quote_name
    table = quote(model._meta.db_table)
    columns = ", ".join(quote(each.column) for each in fields if each.column)
    if connection.vendor == "postgresql":
        rows = _with_json(fields, rows)
        if len(rows) <= _FEW:
            _insert_few(f"INSERT INTO {table} ({columns}) VALUES", rows)  # nosec B608
            return
        _copy(f"COPY {table} ({columns}) FROM STDIN", copy_text(rows))
        return
    marks = ", ".join(["%s"] * len(fields))
    prepared = [
        [
            field.get_db_prep_save(value, connection)
            for field, value in zip(fields, row, strict=True)
        ]
        for row in rows
    ]
    with connection.cursor() as cursor:
        # Put together from the names of our own tables and columns only.
        cursor.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", prepared)  # noqa: S608 # nosec B608


def _with_json(
    fields: Sequence["models.Field[Any, Any]"], rows: Sequence[Sequence[Any]]
) -> Sequence[Sequence[Any]]:
    """Rows in which what JSON fields are to hold is written out."""
    places = [at for at, field in enumerate(fields) if isinstance(field, models.JSONField)]
    if not places:
        return rows
    written = [list(row) for row in rows]
    for row in written:
        for at in places:
            row[at] = json.dumps(row[at])
    return written


def _insert_few(statement: str, rows: Sequence[Sequence[Any]]) -> None:
    """Send rows in one statement, which the server has prepared; a COPY takes three messages."""
    marks = f"({', '.join(['%s'] * len(rows[0]))})"
    # As texts, of which the server finds the types: numbers have others as they grow.
    values = [None if value is None else str(value) for row in rows for value in row]
    with prepared() as cursor:
        cursor.execute(f"{statement} {', '.join([marks] * len(rows))}", values)


def _copy(statement: str, content: bytes) -> None:
    # Django translates the errors of its own calls only; a COPY is the driver's.
    with (
        connection.cursor() as cursor,
        connection.wrap_database_errors,
        cursor.copy(statement) as copy,
    ):
        copy.write(content)


def copy_text(rows: Sequence[Sequence[Any]]) -> bytes:
    """Return rows in PostgreSQL's text form of COPY."""
    return ("\n".join([_line(row) for row in rows]) + "\n").encode()


def _line(row: Sequence[Any]) -> str:
    said = "".join([value for value in row if type(value) is str])
    if "\\" in said or not said.isprintable():
        return "\t".join([_cell(value) for value in row])
    return "\t".join(
        [value if type(value) is str else _NULL if value is None else str(value) for value in row]
    )


def _cell(value: Any) -> str:
    return _NULL if value is None else str(value).translate(_ESCAPES)
