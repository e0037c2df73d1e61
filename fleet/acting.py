"""Who acts: known to the request or command, told to the database before its first write.

The triggers that write the audit trail (`fleet.auditing`) find it there. On PostgreSQL it is a
setting that ends with the transaction, because connections are shared by a pool. On SQLite, whose
triggers can read tables only, it is one row, written after BEGIN and taken away before COMMIT:
SQLite has one writer at a time, so nobody else ever sees it. A statement outside of a transaction
is written down without an actor rather than with a wrong one.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, Protocol

Execute = Callable[[str, Any, bool, dict[str, Any]], Any]
_WRITES = ("INSERT", "UPDATE", "DELETE", "REPLAC", "WITH")


@dataclass(frozen=True)
class Actor:
    """Who acts, and through which entrance.

    Attributes
    ----------
    user
        The key of a user, or a function that finds it when it is needed; None: nobody signed in.
    via
        The entrance: "api", "desk", "command load_records".
    """

    user: "int | Callable[[], int | None] | None" = None
    via: str = ""

    def told(self) -> tuple[int | None, str]:
        """Return user and entrance as the database is told them."""
        return (self.user() if callable(self.user) else self.user), self.via[:40]


_NOBODY = Actor()
_actor: ContextVar[Actor] = ContextVar("spanbook_actor", default=_NOBODY)


@contextmanager
def acting(actor: Actor) -> Iterator[None]:
    """Let somebody act for as long as the block runs."""
    token = _actor.set(actor)
    try:
        yield
    finally:
        _actor.reset(token)


def become(user: int) -> None:
    """Say who it is, once that is known; the entrance stays."""
    _actor.set(Actor(user, _actor.get().via))


class Told(Protocol):
    """A connection that keeps whom its transaction was told."""

    told: tuple[int | None, str] | None
    in_atomic_block: bool

    def tell(self, user: int | None, via: str) -> None:
        """Write down in the database who acts in this transaction."""
        ...


def telling(connection: Told, *, writes_only: bool) -> Callable[..., Any]:
    """Return the wrapper of a connection's statements that tells the database who acts."""

    def wrapper(
        execute: Execute,
        sql: str,
        params: Any,
        many: bool,  # noqa: FBT001 - Django's call
        context: dict[str, Any],
    ) -> Any:
        actor = _actor.get()
        somebody = actor is not _NOBODY or connection.told is not None
        if connection.in_atomic_block and somebody and (not writes_only or _writes(sql)):
            told = (None, "") if actor is _NOBODY else _resolved(actor)
            if told != connection.told:
                connection.tell(*told)
                connection.told = told
        return execute(sql, params, many, context)

    return wrapper


def _writes(sql: str) -> bool:
    return str(sql).lstrip()[:6].upper().startswith(_WRITES)


def _resolved(actor: Actor) -> tuple[int | None, str]:
    """Return what an actor is told as; found out once, not while it is being found out."""
    if not callable(actor.user):
        return actor.told()
    with acting(_NOBODY):
        told = actor.told()
    if told[0] is not None:
        become(told[0])
    return told
