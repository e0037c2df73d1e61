"""Queries whose SQL is put together once and asked again and again, with other keys each time.

To make the SQL of a query of some joins costs the ORM more than the database needs to answer it.
"""

import json
import re
from collections.abc import Callable, Iterable, Sequence
from functools import cached_property
from typing import Any
from uuid import UUID

from django.db import DEFAULT_DB_ALIAS, connection, connections, models
from django.db.models.sql.compiler import SQLCompiler

Key = int | UUID | str

_PLACE = re.compile(r"(?<!%)%s")  # of a parameter
# Stands where a key will stand: no row has these.
_NUMBER, _UUID = 2**62 + 20260402, UUID(int=2**127 + 20260402)


class Statement:
    """A query of one key, or of many, read as plain tuples.

    Parameters
    ----------
    make : callable
        Takes the mark that stands for the key, and returns a query set with `values_list`. Where
        it is to be asked for many keys, the condition is `columns.among(name, [mark])`.
    uuids : bool
        Whether the keys are UUIDs.
    """

    def __init__(
        self, make: "Callable[[Any], models.QuerySet[Any, Any]]", *, uuids: bool = False
    ) -> None:
        self._make, self._mark = make, _UUID if uuids else _NUMBER

    def all(self) -> list[Sequence[Any]]:
        """Return the rows of a query without a key."""
        return self._rows(None)

    def one(self, key: Key) -> list[Sequence[Any]]:
        """Return the rows of one key."""
        return self.of(key)

    def of(self, *given: Key) -> list[Sequence[Any]]:
        """Return the rows of several values, each for its own mark, in their order in the SQL."""
        if not connection.features.has_native_uuid_field:
            given = tuple(_prepared(key) if isinstance(key, UUID) else key for key in given)
        return self._rows(*given)

    def many(self, keys: Iterable[int] | Iterable[UUID]) -> list[Sequence[Any]]:
        """Return the rows of many keys; none, where there is no key."""
        given = list(keys)
        return self._rows(listed(given)) if given else []

    @cached_property
    def marks(self) -> int:
        """How many values it takes, each for its own mark."""
        return sum(is_mark for _, is_mark in self._made[1])

    def asked(self, *given: Any) -> tuple[str, list[Any]]:
        """Return the SQL and its parameters.

        One value stands for every mark, and of several each for its own, in order.
        """
        sql, params, _ = self._made
        each = iter(given * len(params) if len(given) == 1 else given)
        return sql, [next(each) if is_mark else fixed for fixed, is_mark in params]

    def _rows(self, *given: Any) -> list[Sequence[Any]]:
        with prepared() as cursor:
            cursor.execute(*self.asked(*given))
            rows: list[Sequence[Any]] = cursor.fetchall()
        return self._made[2](rows)

    @cached_property
    def _made(self) -> tuple[str, list[tuple[Any, bool]], Callable[[Any], list[Sequence[Any]]]]:
        query = self._make(self._mark).query
        compiler: SQLCompiler = query.get_compiler(connection=connection)
        sql, params = compiler.as_sql()
        shown = [expression for expression, _, _ in compiler.select[: compiler.col_count]]
        converters = compiler.get_converters(shown)
        marks = {str(self._mark), _prepared(self._mark), listed([self._mark])}
        found = [(value, str(value) in marks) for value in params]
        if connection.vendor == "postgresql":
            sql, found = _with_fixed(sql, found)
        if not converters:
            return sql, found, _as_they_are
        return sql, found, lambda rows: list(compiler.apply_converters(rows, converters))


def _with_fixed(sql: str, params: list[tuple[Any, bool]]) -> tuple[str, list[tuple[Any, bool]]]:
    """Return a statement in whose text those values stand that are the same each time.

    Of a parameter the server cannot tell, when it plans for all keys, that an index on some of
    the rows serves.
    """
    postgresql: Any = connection.ops
    first, *rest = _PLACE.split(sql)
    whole = first
    for text, (value, is_mark) in zip(rest, params, strict=True):
        said = "%s" if is_mark else postgresql.compose_sql("%s", [value]).replace("%", "%%")
        whole += said + text
    return whole, [each for each in params if each[1]]


def prepared() -> Any:
    """Return a cursor; on PostgreSQL one whose statements the server prepares once a connection.

    For statements that are the same each time but for their parameters, of which there are few.

    To plan a query of ten tables takes the server five times as long as to answer it.
    """
    database: Any = connections[DEFAULT_DB_ALIAS]  # once: a proxy looks it up each time
    if database.vendor != "postgresql":
        return database.cursor()
    from fleet import preparing

    cursor_of: Any = preparing.PreparingCursor
    database.ensure_connection()
    database.close_if_health_check_failed()
    database.ensure_connection()
    with database.wrap_database_errors:
        # Django's own wrapping: its log of queries, its errors, its check of threads.
        return database._prepare_cursor(cursor_of(database.connection))  # noqa: SLF001


def _as_they_are(rows: list[Sequence[Any]]) -> list[Sequence[Any]]:
    return rows


def _prepared(key: Key) -> str:
    return key.hex if isinstance(key, UUID) else str(key)


def listed(keys: Sequence[Any]) -> str:
    """Return keys as the lookup `among` gives them to the database."""
    if connection.vendor == "postgresql":
        return f"{{{','.join(map(str, keys))}}}"
    return json.dumps([key.hex if isinstance(key, UUID) else key for key in keys])
