"""Whose rows this request may see, and finding one of them by its id or its readable key."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any
from uuid import UUID

from django.db.models import F, Model, Q, QuerySet, UUIDField, Value
from django.db.models.functions import Upper
from django.db.models.lookups import Exact, In
from rest_framework.request import Request

from fleet.access import RIGHTS, scope_of
from fleet.models import AccessToken, Role
from fleet.models.scoped import EVERYBODY
from fleet.scope import Scope

Rows = Callable[[Scope], QuerySet[Any]]
_KEPT = "_spanbook_scope"
LARGEST = 2**63 - 1


def scope_for(request: Request) -> Scope:
    """Return the caller's scope, read once per request."""
    kept = getattr(request, _KEPT, None)
    if isinstance(kept, Scope):
        return kept
    token = request.auth if isinstance(request.auth, AccessToken) else None
    scope = scope_of(request.user, token)
    setattr(request, _KEPT, scope)
    return scope


def reading(scope: Scope, resource: str) -> Scope:
    """Return the part of a scope that may read a resource.

    A technician here who manages there sees the memberships there only.
    """
    readers = RIGHTS[resource].get("read", frozenset())
    return replace(
        scope,
        serves=scope.serves if Role.TECHNICIAN in readers else frozenset(),
        manages=scope.manages if Role.SERVICE_MANAGER in readers else frozenset(),
        reviews=scope.reviews and Role.WARRANTY_REVIEWER in readers,
        administers=scope.administers and Role.ADMINISTRATOR in readers,
    )


def has_owner(model: type[Model]) -> bool:
    """Whether rows of this table belong to dealers (a catalogue's do not)."""
    return getattr(model, "dealer_path", "") not in {"", EVERYBODY}


def owner_of(row: Model) -> int | None:
    """Return the key of the dealer to whom a row belongs; None for the whole site's."""
    if not has_owner(type(row)):
        return None
    *steps, last = str(getattr(row, "dealer_path", "")).split("__")
    for step in steps:
        row = getattr(row, step)
    owner = getattr(row, "pk" if last == "pk" else f"{last}_id")
    return None if owner is None else int(owner)


def same_text(path: str, text: str) -> Q:
    """Return the condition that a column holds a text, in capitals or not.

    Written as the database's own UPPER, so that the unique index on it serves.
    """
    return Q(Exact(Upper(F(path)), Upper(Value(text))))


def is_key_of(model: type[Model], value: object) -> bool:
    """Whether a value can be the primary key of a row of this table."""
    if isinstance(model._meta.pk, UUIDField):
        return is_uuid(value)
    if isinstance(value, bool):
        return False
    if isinstance(value, str):
        return value.isascii() and value.isdigit() and len(value) < 19
    return isinstance(value, int) and 0 <= value <= LARGEST


def is_uuid(value: object) -> bool:
    """Whether a value is a UUID written as text."""
    try:
        UUID(value if isinstance(value, str) else "")
    except ValueError:
        return False
    return True


def candidates(rows: QuerySet[Any], key: str, value: object) -> list[Any]:
    """Return the rows that a reference may mean: by its readable key first, then by its id.

    A serial may be all digits, so a JSON string is read as the key before it is read as an id; a
    JSON number is an id. Two at most are returned: one is the row, two are a question.
    """
    found: list[Any] = []
    if key and isinstance(value, str):
        found = list(rows.filter(same_text(key, value))[:2])
    if not found and is_key_of(rows.model, value):
        found = list(rows.filter(pk=value)[:2])
    return found


def candidates_of_each(
    rows: QuerySet[Any], key: str, values: Iterable[str | int]
) -> Iterator[tuple[str | int, list[Any]]]:
    """Yield values with what `candidates` returns of each, found together.

    Texts with other letters than ASCII's are left out: what their capitals are is the database's
    to say, one by one. So are those that no database takes.
    """
    given = {(type(value), value): value for value in values if _is_plain(value)}.values()
    texts = sorted({value.upper() for value in given if key and isinstance(value, str)})
    by_key: dict[str, list[Any]] = {}
    if texts:
        for row in rows.filter(In(Upper(F(key)), texts)).annotate(in_capitals=Upper(F(key))):
            by_key.setdefault(row.in_capitals, []).append(row)
    named = [by_key.get(value.upper(), []) if isinstance(value, str) else [] for value in given]
    model = rows.model
    by_id = rows.in_bulk(
        {value for value, found in zip(given, named, strict=True)
         if not found and is_key_of(model, value)}
    )  # fmt: skip
    for value, found in zip(given, named, strict=True):
        if not found and is_key_of(model, value):
            row = by_id.get(model._meta.pk.to_python(value))
            yield value, [] if row is None else [row]
        else:
            yield value, found[:2]


def _is_plain(value: str | int) -> bool:
    return not isinstance(value, str) or (value.isascii() and "\x00" not in value)
