"""Scans that are killed by SIGKILL at random moments end with the rows of an undisturbed one."""

import os

import pytest

from tests.bench import kills

KILLS = int(os.environ.get("SPANBOOK_KILLS", "3"))


@pytest.fixture(params=["sqlite", "postgresql"])
def killer(request, tmp_path):
    on_server = os.environ.get("DATABASE_URL", "").startswith("postgres")
    if request.param == "postgresql" and not on_server:
        pytest.skip("needs a PostgreSQL server (DATABASE_URL)")

    def url_of(name):
        if request.param == "postgresql":
            return f"{os.environ['DATABASE_URL']}_kills_{name}"
        return f"sqlite:///{tmp_path / name}.sqlite3"

    killer = kills.Killer(url_of, seed=KILLS)
    yield killer
    killer.close()


def test_a_killed_scan_is_finished_with_the_same_rows(killer):
    assert killer.wanted["Judgement"]
    assert killer.wanted["DriftFlag"]
    assert not killer.wanted["StaleSensor"]
    number = done = 0
    while done < KILLS:
        count, differing = killer.killed(number)
        assert differing == []
        done, number = done + count, number + 1
