"""A person's own tokens of the REST interface: made, shown once, revoked."""

from datetime import datetime
from typing import Any

from fleet.errors import Conflict, Invalid, NotFound, Problem
from fleet.models import User

MOST = 20
SHOWN = 16  # characters of the digest that name a token; the digest itself opens nothing


def tokens_of(person: User) -> list[dict[str, Any]]:
    """Return a person's tokens without their secrets, the newest first."""
    rows = person.auth_token_set.order_by("-created").values("digest", "name", "created", "expiry")
    return [dict(row) | {"key": row["digest"][:SHOWN]} for row in rows]


def make_token(person: User, *, name: str, now: datetime) -> str:
    """Return a new token, which nobody can read again."""
    name = name.strip()
    if not 1 <= len(name) <= 80:
        raise Invalid(Problem("name", "Say what it is for", "1 to 80 characters"))
    if person.auth_token_set.filter(expiry__gt=now).count() >= MOST:
        raise Conflict(f"You have {MOST} tokens already; revoke one first.")
    _, token = person.auth_token_set.create(name=name)
    return str(token)


def revoke_token(person: User, *, key: str) -> None:
    """Revoke one of a person's own tokens."""
    mine = person.auth_token_set.filter(digest__startswith=key)
    if len(key) != SHOWN or not mine.delete()[0]:
        raise NotFound("You have no such token.")
