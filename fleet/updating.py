"""Rows that are there: columns of many at once, or one held as it stands by now."""

from collections.abc import Sequence
from typing import Any, TypeVar

from django.db import connection, models, transaction

from fleet.errors import NotFound

Row = TypeVar("Row", bound=models.Model)
_AT_ONCE = 1000  # rows of one statement


def update(rows: Sequence[models.Model], names: Sequence[str]) -> None:
    """Store these columns of rows that are there: a join, no CASE of a thousand arms.

    What Django's `bulk_update` does, whose statement grows with the square of its rows.

    Parameters
    ----------
    rows
        Of one table, with their keys.
    names
        The fields to store.
    """
    if not rows:
        return
    meta, quote = rows[0]._meta, connection.ops.quote_name
    fields = [meta.get_field(name) for name in names]
    assert meta.pk is not None
    columns: list[models.Field] = [meta.pk, *fields]  # type: ignore[type-arg, list-item] # no relations of others
    values = [
        [each.get_db_prep_save(getattr(row, each.attname), connection) for each in columns]
        for row in rows
    ]
    table, key = quote(meta.db_table), quote(str(meta.pk.column))
    targets = [quote(str(each.column)) for each in columns[1:]]
    # Put together from the names of our own tables and columns only.
    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor != "postgresql":
            set_ = ", ".join(f"{target} = %s" for target in targets)
            turned = [[*rest, pk] for pk, *rest in values]
            cursor.executemany(f"UPDATE {table} SET {set_} WHERE {key} = %s", turned)  # noqa: S608 # nosec B608
            return
        set_ = ", ".join(f"{target} = v.c{i}" for i, target in enumerate(targets, start=1))
        named = ", ".join(f"c{i}" for i in range(len(columns)))
        typed = ", ".join(f"%s::{_kind(each)}" for each in columns)
        for start in range(0, len(values), _AT_ONCE):
            some = values[start : start + _AT_ONCE]
            listed = ", ".join([f"({typed})"] * len(some))
            cursor.execute(
                f"UPDATE {table} SET {set_} FROM (VALUES {listed}) AS v ({named}) "  # noqa: S608 # nosec B608
                f"WHERE {table}.{key} = v.c0",
                [value for row in some for value in row],
            )


def _kind(field: "models.Field[Any, Any]") -> str:
    """Return the type of a column without its length: a cast would cut what is too long."""
    return str(field.db_type(connection)).split("(", maxsplit=1)[0]


def take_over(row: Row, stored: Row) -> Row:
    """Give a row the columns of the same row as it was read later."""
    for column in row._meta.concrete_fields:
        setattr(row, column.attname, getattr(stored, column.attname))
    return row


def hold_all(rows: "models.QuerySet[Any, Any]") -> list[Any]:
    """Keep others from changing rows until the transaction ends; return their keys, sorted.

    In one order for everybody: two who hold the same ones never wait for one another.
    """
    held = rows.order_by("pk").select_for_update(no_key=True)
    return list(held.values_list("pk", flat=True))


def hold(row: Row) -> Row:
    """Keep others from changing a row until the transaction ends, and read it again.

    Raises
    ------
    NotFound
        If somebody has removed it meanwhile.
    """
    rows = type(row)._default_manager.select_for_update(no_key=True).order_by("pk")
    stored = rows.filter(pk=row.pk).first()  # in no other order: it may join what cannot be locked
    if stored is None:
        raise NotFound("Somebody has removed it meanwhile.")
    return take_over(row, stored)
