"""The bench of the API runs, and measures answers that are right, on a tiny fleet."""

import json

import psycopg
import pytest
from django.db import connection

from tests.bench import api, scan_database


@pytest.mark.postgresql
@pytest.mark.skipif(connection.vendor != "postgresql", reason="it fills a PostgreSQL of its own")
def test_the_bench_measures_every_answer(monkeypatch, capsys):
    name = f"{connection.settings_dict['NAME']}_bench_api"
    url = scan_database.named(scan_database.default_url(), name)
    monkeypatch.setattr(
        "sys.argv",
        ["api", "--sensors", "240", "--times", "4", "--seconds", "3", "--database", url],
    )
    api.main()
    said = json.loads(capsys.readouterr().out.strip().splitlines()[-1])
    assert said["errors"] == 0
    assert said["requests"] >= api.CLIENTS  # each client asks once at least
    for ratio in ("history", "fleet", "visit_sheet"):
        assert 0.5 < said[f"{ratio}_vs_floor"] < 100
    assert said["post_vs_inserts"] > 0
    assert 0 < said["batch_ms"] < 1000
    assert said["page"] == 240 // api.PAGE - 1
    with pytest.raises(psycopg.OperationalError, match="does not exist"):
        psycopg.connect(url)  # it is dropped again
