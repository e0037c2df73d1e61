"""Databases of the scan's bench: made, marked, filled by a given fleet, and dropped again.

A database that does not carry the mark was made by somebody else and is never touched.
"""

import os
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg
from psycopg import sql

from tests.bench.scan_columns import copy_in, insert_into
from tests.bench.scan_readings import SEASONS, Fleet

ROOT = Path(__file__).resolve().parents[2]
MARK = "made by tests.bench.scan, which may drop it: "
DEFAULT_SERVER = "postgresql://root@127.0.0.1:5432/"


def default_url() -> str:
    """Return `spanbook_bench` on the server of DATABASE_URL, if that is a PostgreSQL."""
    url = os.environ.get("DATABASE_URL", "")
    server = url if url.startswith(("postgres://", "postgresql://")) else DEFAULT_SERVER
    return named(server, "spanbook_bench")


def named(url: str, name: str) -> str:
    """Return the address of another database on the same server."""
    return urlunsplit(urlsplit(url)._replace(path=f"/{name}"))


def name_of(url: str) -> str:
    """Return the name of the database."""
    return urlsplit(url).path.removeprefix("/")


def environment(url: str) -> dict[str, str]:
    """Return the environment in which `manage.py` works on that database."""
    key = "only-for-the-bench-0123456789-0123456789-0123456789"
    return dict(os.environ, DATABASE_URL=url, SECRET_KEY=key, REDIS_URL="", DEBUG="")


def manage(url: str, *words: str) -> str:
    """Run a command of the project on that database and return what it printed."""
    done = subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=ROOT, env=environment(url), capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(f"manage.py {' '.join(words)}: {done.stderr.strip() or done.stdout}")
    return done.stdout


def make(url: str, fleet: Fleet) -> None:
    """Make the database anew, with the project's tables, filled with the fleet.

    Raises
    ------
    SystemExit
        If a database of that name exists that we did not make.
    """
    drop(url)
    with _server(url) as connection:
        name = sql.Identifier(name_of(url))
        connection.execute(sql.SQL("CREATE DATABASE {}").format(name))
        note = sql.Literal(f"{MARK}{fleet.size} cells")
        connection.execute(sql.SQL("COMMENT ON DATABASE {} IS {}").format(name, note))
    manage(url, "migrate", "--verbosity", "0")
    with psycopg.connect(url) as connection:
        fill(connection, fleet)
    settle(url)


def drop(url: str) -> None:
    """Drop the database, if there is one and we made it."""
    with _server(url) as connection:
        found = connection.execute(
            "SELECT shobj_description(oid, 'pg_database') FROM pg_database WHERE datname = %s",
            [name_of(url)],
        ).fetchone()
        if found is None:
            return
        if not (found[0] or "").startswith(MARK):
            message = f"{name_of(url)}: this database exists and the bench did not make it."
            raise SystemExit(f"{message} Name another with --database.")
        connection.execute(
            sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name_of(url)))
        )


def _server(url: str) -> psycopg.Connection[Any]:
    return psycopg.connect(named(url, "postgres"), autocommit=True)


def fill(connection: psycopg.Connection[Any], fleet: Fleet) -> None:
    """Add the fleet's rows, season by season, each in a transaction of its own."""
    trusting(connection)
    copy_in(connection, fleet.register_tables())
    for season in range(SEASONS):
        copy_in(connection, fleet.season_tables(season))
        connection.commit()
    for table in ("fleet_dealer", "fleet_customer", "fleet_machinemodel", "fleet_machine",
                  "fleet_sensormodel", "fleet_sensor", "fleet_installation",
                  "calibration_referencestandard"):  # fmt: skip
        connection.execute(
            sql.SQL("SELECT setval(pg_get_serial_sequence({}, 'id'), max(id)) FROM {}").format(
                sql.Literal(table), sql.Identifier(table)
            )
        )
    connection.commit()


def trusting(connection: psycopg.Connection[Any]) -> None:
    """Let this connection add rows without the check of each key, where it may.

    The fleet's keys are right by construction (a test asks the database); checking them one by
    one would take longer than all the rest of the filling.
    """
    connection.execute("SET synchronous_commit = off")
    superuser = connection.execute("SHOW is_superuser").fetchone()
    if superuser == ("on",):
        connection.execute("SET session_replication_role = replica")
    connection.commit()


def settle(url: str) -> None:
    """Vacuum, analyse and write everything to disk, as a quiet hour would have done by itself."""
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("VACUUM (ANALYZE)")
        connection.execute("CHECKPOINT")


def make_sqlite(path: Path, fleet: Fleet) -> str:
    """Make an SQLite file with the project's tables and the fleet; return its address.

    No ANALYZE: nothing in the project asks SQLite for it, and statistics that are taken before the
    first scan, of tables still empty, lead the planner astray (five times slower).
    """
    url = f"sqlite:///{path}"
    manage(url, "migrate", "--verbosity", "0")
    with sqlite3.connect(path) as connection:
        insert_into(connection, fleet.register_tables())
        for season in range(SEASONS):
            insert_into(connection, fleet.season_tables(season))
    connection.close()
    return url
