"""Databases of a test's own, on the server of DATABASE_URL or in a folder; processes on them."""

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]


def on_server() -> bool:
    return os.environ.get("DATABASE_URL", "").startswith("postgres")


def url_of(name: str, folder: Path) -> str:
    if on_server():
        return f"{os.environ['DATABASE_URL']}_{name}"
    return f"sqlite:///{folder / name}.sqlite3"


def environment(url: str, **more: str) -> dict[str, str]:
    return os.environ | {
        "DATABASE_URL": url,
        "SECRET_KEY": "x" * 50,
        "EMAIL_URL": "dummymail://",
        "DJANGO_SETTINGS_MODULE": "fleet.config.settings",
        "REDIS_URL": "",
        "PYTHONPATH": str(ROOT),
        **more,
    }


def run(
    url: str, *call: str, timeout: float = 240, **more: str
) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, *call], cwd=ROOT, env=environment(url, **more), capture_output=True,
        text=True, timeout=timeout, check=False,
    )  # fmt: skip


def manage(url: str, *call: str) -> "subprocess.CompletedProcess[str]":
    return run(url, "manage.py", *call)


def start(url: str, *call: str, **more: Any) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, *call], cwd=ROOT, env=environment(url, **more.pop("env", {})),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more,
    )  # fmt: skip


@contextmanager
def _server() -> Iterator[Any]:
    import psycopg

    base = os.environ["DATABASE_URL"].rpartition("/")[0]
    with psycopg.connect(f"{base}/postgres", autocommit=True) as connection:
        yield connection


def make(url: str, template: str = "") -> None:
    """Make an empty database, or a copy of another that nobody uses now."""
    if not on_server():
        path = Path(url.removeprefix("sqlite:///"))
        path.unlink(missing_ok=True)
        if template:
            path.write_bytes(Path(template.removeprefix("sqlite:///")).read_bytes())
        return
    name = url.rpartition("/")[2]
    like = f' TEMPLATE "{template.rpartition("/")[2]}"' if template else ""
    with _server() as server:
        server.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        server.execute(f'CREATE DATABASE "{name}"{like}')


def drop(url: str) -> None:
    if on_server():
        with _server() as server:
            server.execute(f'DROP DATABASE IF EXISTS "{url.rpartition("/")[2]}" WITH (FORCE)')


def query(url: str, statement: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
    """Run one statement in a database, past everything that is ours."""
    if on_server():
        import psycopg

        with psycopg.connect(url) as connection:
            done = connection.execute(statement, values)  # type: ignore[arg-type]
            return done.fetchall() if done.description else []
    import sqlite3

    connection = sqlite3.connect(url.removeprefix("sqlite:///"), timeout=30)
    try:
        with connection:
            return connection.execute(statement.replace("%s", "?"), values).fetchall()
    finally:
        connection.close()
