"""SQLite: its own backup interface, which copies one moment's pages while others write."""

import sqlite3
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from django.db.backends.base.base import BaseDatabaseWrapper

from fleet.errors import Invalid, Problem

HEAD = b"SQLite format 3\x00"
WAIT = 60.0  # seconds that a restore waits for whoever writes


def _read_only(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{quote(str(file.resolve()))}?mode=ro", uri=True)


def dump(connection: BaseDatabaseWrapper, file: Path) -> None:
    """Copy the database to a file: all pages in one step, so that no write starts it anew."""
    connection.ensure_connection()
    assert connection.connection is not None
    with closing(sqlite3.connect(file)) as target:
        connection.connection.backup(target, pages=-1)
        target.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it


def damage(file: Path) -> str:
    """Return what is wrong with a file; nothing, if it is whole."""
    try:
        with closing(_read_only(file)) as source:
            (said,) = source.execute("PRAGMA integrity_check(1)").fetchone()
            if said != "ok":
                return str(said)
            broken = source.execute("PRAGMA foreign_key_check").fetchone()
            return f"a row of {broken[0]} refers to nothing" if broken else ""
    except sqlite3.Error as wrong:
        return str(wrong)


def migrations(_connection: BaseDatabaseWrapper, file: Path) -> list[tuple[str, str]]:
    """Return (app, name) of the migrations that a file has seen."""
    try:
        with closing(_read_only(file)) as source:
            return source.execute("SELECT app, name FROM django_migrations").fetchall()
    except sqlite3.Error as wrong:
        raise Invalid(Problem("file", f"It is not ours: {wrong}", "our backup")) from wrong


def load(connection: BaseDatabaseWrapper, file: Path) -> None:
    """Put a file's pages in the place of the database's, in one transaction."""
    name = str(connection.settings_dict["NAME"])
    connection.close()
    try:
        with (
            closing(_read_only(file)) as source,
            closing(sqlite3.connect(name, timeout=WAIT, isolation_level=None)) as target,
        ):
            target.execute("PRAGMA busy_timeout = 60000")
            source.backup(target, pages=-1)
            target.execute("PRAGMA journal_mode = WAL")
    except sqlite3.Error as wrong:
        raise Invalid(Problem("", f"The database could not be replaced: {wrong}")) from wrong
