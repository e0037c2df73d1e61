"""The `demo` command: what it refuses, and that it never touches what is not its own."""

import re
import socket
from types import SimpleNamespace

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from calibration.management.commands import demo
from fleet.models import Dealer

ON_SQLITE = connection.vendor == "sqlite"


@pytest.mark.django_db
@pytest.mark.parametrize("fresh", [False, True])
def test_stays_out_of_somebody_elses_database(fresh):
    Dealer.objects.create(code="REAL", name="A real dealer")
    expected = "REAL" if ON_SQLITE else "postgresql"
    with pytest.raises(CommandError, match=expected) as refused:
        call_command("demo", no_serve=True, fresh=fresh)
    assert refused.value.returncode == 2
    assert list(Dealer.objects.values_list("code", flat=True)) == ["REAL"]


def test_says_when_the_port_is_taken():
    with socket.socket() as busy:
        busy.bind((demo.HOST, 0))
        busy.listen()
        port = busy.getsockname()[1]
        with pytest.raises(CommandError, match=f"Port {port} .*--port"):
            demo.check_port(port)


@pytest.mark.parametrize("port", [0, -1, 65536])
def test_refuses_a_port_that_is_none(port):
    with pytest.raises(CommandError, match=re.escape("1 to 65535")):
        demo.check_port(port)


@pytest.fixture
def file(tmp_path, monkeypatch):
    """A database file with its write-ahead log, and the command pointed at it."""
    file = tmp_path / "spanbook.sqlite3"
    for suffix in ("", "-wal", "-shm"):
        file.with_name(file.name + suffix).write_bytes(b"x")
    pointed = SimpleNamespace(settings_dict={"NAME": str(file)}, close=lambda: None)
    monkeypatch.setattr(demo, "connection", pointed)
    return file


def test_fresh_deletes_the_demos_own_file(file, monkeypatch):
    monkeypatch.setattr(demo.load, "is_loaded", lambda: True)
    demo.delete_database()
    assert list(file.parent.iterdir()) == []


def test_fresh_leaves_a_file_that_the_demo_did_not_fill(file, monkeypatch):
    monkeypatch.setattr(demo.load, "is_loaded", lambda: False)
    with pytest.raises(CommandError, match="not made by the demo"):
        demo.delete_database()
    assert file.exists()


def test_fresh_on_nothing_is_no_error(file):
    for each in file.parent.iterdir():
        each.unlink()
    demo.delete_database()
    assert not file.exists()
