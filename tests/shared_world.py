"""The world, made once for the tests of a file: each of them works in a savepoint of its own.

To make it takes longer than most tests do. So a transaction is begun before the first test of a
file that asks for it, the world is made there, and every such test (its own transaction is a
savepoint then) is given a copy of the objects and is taken back to the rows as they were made.
What a fixture puts upon the world (`upon_the_world`) is a second layer, in a savepoint. A
test that works with the database in another way finds it as ever: what is open is taken back.
"""

import inspect
import pickle
import random
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, transaction
from django.test import override_settings

QUICK = {"PASSWORD_HASHERS": ["django.contrib.auth.hashers.MD5PasswordHasher"]}
WORLD = "world"


class _TakenBack(transaction.Atomic):
    """A transaction that is never committed, in which durable ones may stand, as in TestCase."""

    def __init__(self) -> None:
        super().__init__(using=None, savepoint=True, durable=False)
        self._from_testcase = True

    def __exit__(self, *raised: Any) -> None:
        transaction.set_rollback(True)
        super().__exit__(*raised)


@dataclass(frozen=True)
class _Layer:
    """What one fixture makes, and the file whose tests alone mean it by that name, if one."""

    name: str
    build: Callable[..., Any]
    path: Path | None = None


@dataclass
class SharedWorld:
    """Which layers are open, for which file, and what their fixtures return."""

    layers: list[_Layer] = field(default_factory=list)
    given: dict[str, Any] = field(default_factory=dict)  # to the test that runs, by fixture
    _blocker: Any = None
    _path: Path | None = None
    _open: list[tuple[_Layer, _TakenBack, bytes]] = field(default_factory=list)

    def database_is_there(self, blocker: Any) -> None:
        """Note that there is a database now; nothing is shared before."""
        self._blocker = blocker

    def prepare(self, item: pytest.Item) -> None:
        """Before a test: open what it shares with its file, and take back what is not for it."""
        if self._blocker is None or not _works_with_database(item):
            return
        wanted = [layer for layer in self.layers if _shares(item, layer)]
        opened = [layer for layer, *_ in self._open] if item.path == self._path else []
        pairs = zip(opened, wanted, strict=False)
        self.close(keep=sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs)))
        self._path = item.path
        with self._blocker.unblock():
            for layer in wanted[len(self._open) :]:
                self._begin(layer)
            if self._open:
                _forget_what_was_prepared()
        self.given = pickle.loads(self._open[-1][2]) if self._open else {}

    def close(self, keep: int = 0) -> None:
        """Take back the rows of all layers but the first so many."""
        while len(self._open) > keep:
            _, taken_back, _ = self._open.pop()
            with self._blocker.unblock():
                taken_back.__exit__(None, None, None)

    def _begin(self, layer: _Layer) -> None:
        found = pickle.loads(self._open[-1][2]) if self._open else {}
        taken_back, numbers = _TakenBack(), random.Random(layer.name)
        taken_back.__enter__()
        try:
            with pytest.MonkeyPatch.context() as patch, override_settings(**QUICK):
                patch.setattr(
                    uuid, "uuid4", lambda: uuid.UUID(int=numbers.getrandbits(128), version=4)
                )
                found[layer.name] = layer.build(*([found[WORLD]] if found else []))
            connection.check_constraints()
        except BaseException:
            taken_back.__exit__(None, None, None)
            raise
        self._open.append((layer, taken_back, pickle.dumps(found)))


SHARED = SharedWorld()


def the_world(build: Callable[[], Any]) -> Any:
    """Make the fixture `world` of what builds one."""
    SHARED.layers.append(_Layer(WORLD, build))

    @pytest.fixture(name=WORLD)
    def world(db: None) -> Any:
        return SHARED.given[WORLD] if WORLD in SHARED.given else build()

    return world


def upon_the_world(build: Callable[[Any], Any]) -> Any:
    """Make a fixture of what builds upon the world; it is shared as the world is.

    It takes the world alone, and what it makes rests on nothing that a test or another fixture
    sets. In a file of tests it is that file's; in a `conftest.py` it has its name to itself.
    """
    name, path = build.__name__, Path(inspect.getfile(build))
    own = path if path.name.startswith("test_") else None
    SHARED.layers.append(_Layer(name, build, own))

    @pytest.fixture(name=name)
    def fixture(world: Any) -> Any:
        return SHARED.given[name] if name in SHARED.given else build(world)

    return fixture


def _forget_what_was_prepared() -> None:
    """Let no test find statements that another prepared: a savepoint taken back keeps them.

    A transaction that is rolled back does the same in psycopg (`Connection.rollback`).
    """
    if connection.vendor == "postgresql":
        connection.connection._prepared.clear()


def _works_with_database(item: pytest.Item) -> bool:
    names = {"db", "transactional_db", "live_server", "django_db_setup"}
    return bool(names & set(_fixtures(item))) or item.get_closest_marker("django_db") is not None


def _shares(item: pytest.Item, layer: _Layer) -> bool:
    """Tell whether a test asks for this upon the world, in a transaction that is rolled back."""
    marker = item.get_closest_marker("django_db")
    if (marker is not None and (marker.args or marker.kwargs)) or layer.path not in {
        None, item.path,
    }:  # fmt: skip
        return False
    asked, own = set(_fixtures(item)), {"transactional_db", "live_server"}
    if layer.name in _parameters(item):  # a value of that name, no fixture
        return False
    return {layer.name, WORLD} <= asked and not asked & (own | {"django_db_reset_sequences"})


def _parameters(item: pytest.Item) -> dict[str, Any]:
    return item.callspec.params if hasattr(item, "callspec") else {}


def _fixtures(item: pytest.Item) -> list[str]:
    return getattr(item, "fixturenames", [])
