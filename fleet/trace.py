"""One request's id, from the door through every log line into the worker."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from uuid import uuid4

_WELL_FORMED = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{7,63}")
_current: ContextVar[str] = ContextVar("spanbook_request_id", default="")


def current() -> str:
    """Return the id of the request or task that this code runs for; empty outside of any."""
    return _current.get()


def accepted(offered: str | None) -> str:
    """Return the id that somebody offers where it is well formed, a new one where it is not.

    Well formed are 8 to 64 letters, digits and ``. _ -``, beginning with a letter or digit: an id
    goes into logs and headers, so nothing else may.
    """
    return offered if offered and _WELL_FORMED.fullmatch(offered) else uuid4().hex


def begin(offered: str | None) -> str:
    """Take up an id until `end`, for who cannot wrap what runs under it."""
    _current.set(accepted(offered))
    return current()


def end() -> None:
    """Run for nobody any more."""
    _current.set("")


@contextmanager
def following(offered: str | None) -> Iterator[str]:
    """Run what is inside under an id."""
    token = _current.set(accepted(offered))
    try:
        yield _current.get()
    finally:
        _current.reset(token)
