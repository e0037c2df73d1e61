"""PostgreSQL: `pg_dump` in its custom format; put back by `pg_restore` and `psql` as a whole."""

import os
import re
import shutil
import subprocess  # nosec B404 - the database's own programs, without a shell
from collections.abc import Sequence
from pathlib import Path

from django.db.backends.base.base import BaseDatabaseWrapper

from fleet.errors import Invalid, Problem

HEAD = b"PGDMP"
EMPTY = "DROP SCHEMA public CASCADE; CREATE SCHEMA public;"
_CHUNK = 1 << 20


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise Invalid(
            Problem("", f"{name} is not installed", "PostgreSQL's client programs on the PATH")
        )
    return found


def _place(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """Return the environment in which PostgreSQL's programs find the database."""
    said = connection.settings_dict
    named = {
        "PGDATABASE": said["NAME"], "PGUSER": said["USER"], "PGPASSWORD": said["PASSWORD"],
        "PGHOST": said["HOST"], "PGPORT": said["PORT"],
    }  # fmt: skip
    # Whoever holds a table for longer than this keeps it; nothing is changed then.
    waits = {"PGOPTIONS": "-c lock_timeout=60s", "PGCLIENTENCODING": "UTF8"}
    return os.environ | waits | {name: str(value) for name, value in named.items() if value}


def _run(call: Sequence[str], environment: dict[str, str] | None = None) -> str:
    done = subprocess.run(  # noqa: S603 # nosec B603 - our own arguments, no shell
        [_program(call[0]), *call[1:]],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise Invalid(Problem("", f"{call[0]} failed: {_last(done.stderr)}"))
    return done.stdout


def _last(said: str) -> str:
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    return " ".join(lines[-3:]) or "it said nothing"


def dump(connection: BaseDatabaseWrapper, file: Path) -> None:
    """Write the database to a file, as it is at this moment."""
    call = ("pg_dump", "--format=custom", "--no-owner", "--no-privileges", f"--file={file}")
    _run(call, _place(connection))


def damage(file: Path) -> str:
    """Return what is wrong with a file; nothing, if it can be read to its end."""
    try:
        _run(("pg_restore", "--file=/dev/null", str(file)))
    except Invalid as wrong:
        return str(wrong.problems[0].reason)
    return ""


def migrations(_connection: BaseDatabaseWrapper, file: Path) -> list[tuple[str, str]]:
    """Return (app, name) of the migrations that a file has seen."""
    call = ("pg_restore", "--data-only", "--table=django_migrations", "--file=-", str(file))
    rows = re.findall(r"^\d+\t(\w+)\t(\w+)\t", _run(call), re.MULTILINE)
    if not rows:
        raise Invalid(Problem("file", "It is not ours: it has no migrations", "our backup"))
    return rows


def load(connection: BaseDatabaseWrapper, file: Path) -> None:
    """Put a file in the place of everything in the database, in one transaction.

    `psql` commits when its input ends: it is given the end only when all of it has come.
    """
    place = _place(connection)
    connection.close()
    read = [_program("pg_restore"), "--no-owner", "--no-privileges", "--file=-", str(file)]
    write = [
        _program("psql"), "--no-psqlrc", "--quiet", "--single-transaction",
        "--set=ON_ERROR_STOP=1", "--output=/dev/null", f"--command={EMPTY}", "--file=-",
    ]  # fmt: skip
    with (
        subprocess.Popen(read, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as source,  # noqa: S603 # nosec B603
        subprocess.Popen(  # noqa: S603 # nosec B603
            write, env=place, stdin=subprocess.PIPE, stderr=subprocess.PIPE
        ) as target,
    ):
        _pour(source, target)


def _pour(source: "subprocess.Popen[bytes]", target: "subprocess.Popen[bytes]") -> None:
    assert source.stdout
    assert source.stderr
    assert target.stdin
    assert target.stderr
    try:
        while chunk := source.stdout.read(_CHUNK):
            target.stdin.write(chunk)
        if source.wait():
            target.kill()  # what was written so far is rolled back
            raise Invalid(
                Problem("file", f"It is damaged: {_last(source.stderr.read().decode())}")
            )
        target.stdin.close()
    except BrokenPipeError:
        source.kill()
    if target.wait():
        said = _last(target.stderr.read().decode())
        raise Invalid(Problem("", f"The database could not be replaced: {said}"))
