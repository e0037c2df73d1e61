"""The whole database into one file, while others work, and back again.

SQLite is copied by its own backup interface, PostgreSQL by `pg_dump`: both give one moment.
What is restored replaces everything in one transaction, is brought to this version's tables, and
is then checked: the database's own integrity, the seals and triggers, every digest and chain.
"""

import os
import re
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import ModuleType

from django.core.management import call_command
from django.db import connection
from django.db.migrations.loader import MigrationLoader

from calibration.apps import check_seals
from calibration.backups import postgresql, sqlite
from calibration.verifying import Finding, Progress, verify
from fleet.errors import Conflict, Invalid, Problem

__all__ = ["Restored", "backup", "restore"]

_HEADS = {sqlite.HEAD: "sqlite", postgresql.HEAD: "postgresql"}
# Somebody has used the database, if one of these has rows.
_USED = ("fleet_dealer", "fleet_user", "fleet_sensor", "calibration_calibration")


@dataclass(frozen=True)
class Restored:
    """What is not right with a restored database; nothing, if all is well."""

    missing: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def _engine() -> ModuleType:
    return postgresql if connection.vendor == "postgresql" else sqlite


def backup(file: Path, *, force: bool = False) -> int:
    """Write the database to a file, whole or not at all; return the file's size.

    The file is written beside its place, checked, and then put there: whoever copies the folder
    never finds half a backup under its name.

    Raises
    ------
    Invalid
        If the folder is not there, or the database's own program fails.
    Conflict
        If the file is there already, and `force` is not said.
    """
    if not file.parent.is_dir() or file.is_dir():
        raise Invalid(Problem("file", "It cannot be written", "a file in a folder that is there"))
    if file.exists() and not force:
        raise Conflict(Problem("file", "It is there already", "another file, or --force"))
    part = file.with_name(f".{file.name}.part")
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600))
        _engine().dump(connection, part)
        _check(part)
        with part.open("rb") as written:
            os.fsync(written.fileno())
        size = part.stat().st_size
        part.replace(file)
    except OSError as wrong:
        raise Invalid(Problem("file", f"It cannot be written: {wrong.strerror}")) from wrong
    finally:
        part.unlink(missing_ok=True)
    return size


def restore(
    file: Path, *, now: datetime, replace: bool = False, progress: Progress | None = None
) -> Restored:
    """Put a backup in the place of the database, and check what is there then.

    Raises
    ------
    Invalid
        If the file is no backup of this kind of database, is damaged, or is of a newer version.
    Conflict
        If the database is in use, and `replace` is not said.
    """
    if not file.is_file():
        raise Invalid(Problem("file", "There is no such file", "a file that `backup` wrote"))
    _check(file)
    _check_version(file)
    if not replace and (used := _used()):
        raise Conflict(
            Problem(
                "", f"The database is not empty: {used} has rows", "an empty one, or --replace"
            )
        )
    _engine().load(connection, file)
    connection.close()
    call_command("migrate", verbosity=0, interactive=False)
    missing = [str(message.msg) for message in check_seals(["default"])]
    return Restored(missing, list(verify(now=now, progress=progress)))


def _check(file: Path) -> None:
    """Refuse a file that is not a whole backup of this kind of database."""
    with file.open("rb") as content:
        head = content.read(16)
    kind = next((kind for sign, kind in _HEADS.items() if head.startswith(sign)), "")
    if kind != connection.vendor:
        reason = f"It is a backup of {kind}" if kind else "It is no backup"
        raise Invalid(Problem("file", reason, f"a backup of {connection.vendor}"))
    if wrong := _engine().damage(file):
        raise Invalid(Problem("file", f"It is damaged: {wrong}", "a whole backup"))


def _check_version(file: Path) -> None:
    """Refuse a backup of a version that is newer than this one: it would lose what that added."""
    known = set(MigrationLoader(None).disk_migrations)
    ours = {app for app, _ in known}
    unknown = sorted(
        f"{app}.{name}"
        for app, name in _engine().migrations(connection, file)
        if app in ours and (app, name) not in known and not re.search(r"_squashed_", name)
    )
    if unknown:
        reason = f"It is of a newer version: {', '.join(unknown)} is not known here"
        raise Invalid(Problem("file", reason, "a backup of this version, or of an older one"))


def _used() -> str:
    """Return a table that has rows; nothing, if the database is as good as empty."""
    there = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        for table in _USED:
            if table in there:
                cursor.execute(f"SELECT 1 FROM {table} LIMIT 1")  # noqa: S608 # nosec B608 - our own names
                if cursor.fetchone():
                    return table
    return ""
