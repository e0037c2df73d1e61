"""Finding the row that a reference means by statements that are put together once.

What `scoping.candidates` finds, where it is asked again and again: to make the SQL takes the ORM
longer than the database needs to answer it.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

from django.core.exceptions import EmptyResultSet
from django.db import DEFAULT_DB_ALIAS
from django.db.models import Model, UUIDField

from api.scoping import Rows, candidates, is_key_of, same_text
from fleet.scope import Scope
from fleet.statements import Statement

_KEPT = 256  # pairs of statements: one for each field and kind of caller


def named(rows: Rows, key: str, beside: Sequence[str], scope: Scope, value: Any) -> list[Any]:
    """Return what `candidates` finds among the rows of a scope, each with the rows beside it."""
    finders = _finders(rows, key, tuple(beside), _like(scope))
    if finders is None or isinstance(value, bool):
        seen = rows(scope)
        return candidates(seen.select_related(*beside) if beside else seen, key, value)
    dealers = sorted(scope.dealers)
    found: list[Any] = []
    if finders.by_key and isinstance(value, str):
        found = finders.of(finders.by_key, dealers, value)
    if not found and is_key_of(finders.model, value):
        found = finders.of(finders.by_id, dealers, int(value))
    return found


def _like(scope: Scope) -> Scope:
    """Return a scope whose condition looks as this one's does, with other dealers in it."""
    dealers = range(min(len(scope.dealers), 2))
    return Scope(administers=scope.administers, reviews=scope.reviews, serves=frozenset(dealers))


class _Finders:
    """The two statements of a field, for callers who are alike."""

    def __init__(self, rows: Rows, key: str, beside: Sequence[str], like: Scope) -> None:
        def seen(mark: Any) -> Any:
            return rows(replace(like, serves=frozenset([mark] * len(like.serves))))

        self.model: type[Model] = rows(Scope()).model
        self._parts = [(self.model, ""), *((_beside(self.model, name), name) for name in beside)]
        paths = [
            f"{name}__{column}" if name else column
            for model, name in self._parts
            for column in _columns(model)
        ]
        self.by_id = Statement(lambda mark: seen(mark).filter(pk=mark).values_list(*paths)[:2])
        self.by_key = key and Statement(
            lambda mark: seen(mark).filter(same_text(key, str(mark))).values_list(*paths)[:2]
        )

    def of(self, statement: Statement, dealers: Sequence[int], value: str | int) -> list[Any]:
        """Return the rows that a statement finds."""
        own = dealers[: statement.marks - 1]  # where everybody's are seen, there is no condition
        return [self._made(row) for row in statement.of(*own, value)]

    def _made(self, row: Sequence[Any]) -> Any:
        """A row as Django would read it, with the rows beside it."""
        first: Any = None
        at = 0
        for model, name in self._parts:
            names = _columns(model)
            values, at = row[at : at + len(names)], at + len(names)
            part = None if name and values[0] is None else _instance(model, names, values)
            if name:
                first._state.fields_cache[name] = part  # noqa: SLF001 - as Django itself fills it
            else:
                first = part
        return first


def _instance(model: type[Model], names: Sequence[str], values: Sequence[Any]) -> Any:
    return model.from_db(DEFAULT_DB_ALIAS, names, values)


def _columns(model: type[Model]) -> list[str]:
    return [field.attname for field in model._meta.concrete_fields]


def _beside(model: type[Model], name: str) -> type[Model]:
    found: type[Model] = model._meta.get_field(name).related_model  # type: ignore[assignment] # no "self"
    return found


@lru_cache(maxsize=_KEPT)
def _finders(rows: Rows, key: str, beside: tuple[str, ...], like: Scope) -> _Finders | None:
    """The statements of a field; None where they would have to be others for each caller."""
    if len(like.dealers) > 1 or any("__" in name for name in beside):
        return None
    model = rows(Scope()).model
    if isinstance(model._meta.pk, UUIDField) or not hasattr(model, "dealer_path"):
        return None
    found = _Finders(rows, key, beside, like)
    try:
        counts = {each.marks for each in (found.by_id, found.by_key) if each}
    except EmptyResultSet:  # nobody's
        return None
    return found if counts <= {1, 1 + len(like.dealers)} else None
