"""The world, made once for the tests of a file: each of them works in a savepoint of its own.

To make it takes longer than most tests do. So a transaction is begun before the first test of a
file that asks for it, the world is made there, and every such test (its own transaction is a
savepoint then) is given a copy of the objects and is taken back to the rows as they were made. A
test that works with the database in another way finds it as ever: the transaction is over before.
"""

import pickle
import random
import uuid
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, transaction
from django.test import override_settings

QUICK = {"PASSWORD_HASHERS": ["django.contrib.auth.hashers.MD5PasswordHasher"]}


class SharedWorld:
    """What is open: the file it is for, its transaction, and the world as bytes."""

    def __init__(self, build: Callable[[], Any]) -> None:
        self._build = build
        self._blocker: Any = None
        self._open: ExitStack | None = None
        self._path: Path | None = None
        self._bytes = b""

    def database_is_there(self, blocker: Any) -> None:
        """Note that there is a database now; nothing is shared before."""
        self._blocker = blocker

    def prepare(self, item: pytest.Item) -> None:
        """Before a test: begin what it shares with its file, or end what is not for it."""
        if self._blocker is None or not _works_with_database(item):
            return
        if not _shares(item):
            self.close()
        elif item.path != self._path:
            self.close()
            with self._blocker.unblock():
                self._begin(item.path)

    def given(self, item: pytest.Item) -> Any:
        """Return the world for a test: a copy of the shared one, or one made for it alone."""
        if self._open is not None and _shares(item):
            return pickle.loads(self._bytes)
        return self._build()

    def close(self) -> None:
        """Take the rows back."""
        if self._open is not None:
            opened, self._open, self._path = self._open, None, None
            with self._blocker.unblock():
                opened.close()

    def _begin(self, path: Path) -> None:
        with ExitStack() as stack:
            stack.enter_context(_taken_back())
            with pytest.MonkeyPatch.context() as patch, override_settings(**QUICK):
                numbers = random.Random("world")
                patch.setattr(
                    uuid, "uuid4", lambda: uuid.UUID(int=numbers.getrandbits(128), version=4)
                )
                self._bytes = pickle.dumps(self._build())
            connection.check_constraints()
            self._open, self._path = stack.pop_all(), path


class _taken_back(transaction.Atomic):  # noqa: N801 (a context manager)
    """A transaction that is never committed, in which durable ones may stand, as in TestCase."""

    def __init__(self) -> None:
        super().__init__(using=None, savepoint=True, durable=False)
        self._from_testcase = True

    def __exit__(self, *raised: Any) -> None:
        transaction.set_rollback(True)
        super().__exit__(*raised)


def _works_with_database(item: pytest.Item) -> bool:
    names = {"db", "transactional_db", "live_server", "django_db_setup"}
    return bool(names & set(_fixtures(item))) or item.get_closest_marker("django_db") is not None


def _shares(item: pytest.Item) -> bool:
    """Tell whether a test asks for the world and works in a transaction that is rolled back."""
    marker = item.get_closest_marker("django_db")
    if marker is not None and (marker.args or marker.kwargs):
        return False
    own = {"transactional_db", "live_server", "django_db_reset_sequences"}
    return "world" in _fixtures(item) and not own & set(_fixtures(item))


def _fixtures(item: pytest.Item) -> list[str]:
    return getattr(item, "fixturenames", [])
