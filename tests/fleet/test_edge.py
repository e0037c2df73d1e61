"""The outermost layers: request ids, proxies, probes and figures."""

import logging
import re

import pytest
from django.core.management import call_command
from django.db import OperationalError, connection, connections
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from calibration import sealing
from calibration.gauges import gauges
from calibration.models import Reminder, ScanRun, StaleSensor
from fleet import trace
from fleet.config import edge, env, health
from tests.conftest import NOW
from tests.desk import fill, without_files

SECRET = "a-secret-for-the-figures-only"


@pytest.fixture(autouse=True)
def _no_files(settings):
    without_files(settings)
    settings.REDIS_URL = ""


# ── Request ids ───────────────────────────────────────────────────────────────
@pytest.mark.parametrize("offered", ["tablet-3.17_a", "A" * 8, "0" * 64])
def test_a_well_formed_id_is_taken(offered):
    assert Client().get("/healthz", headers={"X-Request-ID": offered})["X-Request-ID"] == offered


@pytest.mark.parametrize(
    "offered", ["", "short", "x" * 65, "a b c d e f", 'a"b"c"d"e', "-abcdefgh"]
)
def test_another_is_replaced(offered):
    given = Client().get("/healthz", headers={"X-Request-ID": offered})["X-Request-ID"]
    assert given != offered
    assert re.fullmatch("[0-9a-f]{32}", given)


def test_the_id_stands_in_every_line_of_its_request_and_no_other(client, caplog):
    caplog.set_level(logging.INFO, "spanbook.requests")
    seen = []
    caplog.handler.addFilter(lambda record: seen.append(trace.current()) or True)
    client.get("/api/v1/sensors/", headers={"X-Request-ID": "one-of-mine"})
    assert set(seen) == {"one-of-mine"}
    (line,) = [record for record in caplog.records if record.name == "spanbook.requests"]
    assert (line.method, line.status) == ("GET", 401)
    assert line.route.startswith("/api/v1/")
    assert trace.current() == ""


def test_two_problem_documents_name_their_requests(client, db):
    answers = [client.get("/api/v1/sensors/") for _ in range(2)]
    ids = [answer.json()["request_id"] for answer in answers]
    assert ids == [answer["X-Request-ID"] for answer in answers]
    assert ids[0] != ids[1]


# ── Proxies ───────────────────────────────────────────────────────────────────
@pytest.mark.parametrize(
    ("chain", "client"),
    [
        ("203.0.113.5", "203.0.113.5"),
        ("203.0.113.5, 10.0.0.9", "203.0.113.5"),  # two of ours
        ("6.6.6.6, 203.0.113.5", "203.0.113.5"),  # the first was sent along by the client
        ("127.0.0.1, 203.0.113.5", "203.0.113.5"),
        ("203.0.113.5, nonsense", "10.0.0.1"),
        ("2001:db8::7", "2001:db8::7"),
        ("", "10.0.0.1"),
    ],
)
def test_whom_a_proxy_of_ours_speaks_for(settings, monkeypatch, chain, client):
    monkeypatch.setenv("TRUSTED_PROXIES", "10.0.0.0/24")
    settings.TRUSTED_PROXIES = env.networks("TRUSTED_PROXIES")
    assert edge.client_of(chain, "10.0.0.1") == client


def test_nobody_else_is_believed(settings, monkeypatch):
    def told(request):
        from django.http import HttpResponse

        return HttpResponse(f"{request.META['REMOTE_ADDR']} {request.is_secure()}")

    from django.test import RequestFactory

    headers = {"HTTP_X_FORWARDED_FOR": "203.0.113.5", "HTTP_X_FORWARDED_PROTO": "https"}
    request = RequestFactory().get("/", REMOTE_ADDR="10.0.0.1", **headers)
    assert edge.TrustedProxy(told)(request).content == b"10.0.0.1 False"
    monkeypatch.setenv("TRUSTED_PROXIES", "10.0.0.1")
    settings.TRUSTED_PROXIES = env.networks("TRUSTED_PROXIES")
    request = RequestFactory().get("/", REMOTE_ADDR="10.0.0.1", **headers)
    assert edge.TrustedProxy(told)(request).content == b"203.0.113.5 True"


# ── Probes ────────────────────────────────────────────────────────────────────
def test_alive_without_a_database_and_under_any_name():
    answer = Client().get("/healthz", headers={"Host": "whatever.example"})
    assert (answer.status_code, answer.content) == (200, b"alive\n")
    assert Client().post("/healthz").status_code == 405


def test_ready_when_everything_is_there(db):
    assert Client().get("/readyz").content == b"ready\n"


def test_not_ready_without_a_migration(db, caplog):
    MigrationRecorder(connection).record_unapplied("fleet", "0008_moments_of_changes")
    answer = Client().get("/readyz")
    assert (answer.status_code, answer.content) == (503, b"not ready\n")
    assert "migrations wait: fleet.0008_moments_of_changes" in caplog.text


def test_not_ready_without_the_seals(db, caplog):
    name = min(sealing.present(connection))
    table = name.rsplit("_no_", 1)[0]
    where = f" ON {table}" if connection.vendor == "postgresql" else ""
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TRIGGER {name}{where}")
    assert Client().get("/readyz").status_code == 503
    assert f"{name} are missing" in caplog.text
    call_command("migrate", verbosity=0)
    assert Client().get("/readyz").status_code == 200


def test_not_ready_without_the_broker_when_one_is_named(db, settings, caplog):
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    assert Client().get("/readyz").status_code == 503
    assert "the broker does not answer" in caplog.text


def test_not_ready_without_the_database(db, monkeypatch, caplog):
    def away(*_, **__):
        raise OperationalError("the server closed the connection")

    monkeypatch.setattr(health, "MigrationLoader", away)
    monkeypatch.setattr(connections["default"], "close", lambda: None)
    answer = Client().get("/readyz")
    assert (answer.status_code, answer.content) == (503, b"not ready\n")
    assert "the database does not answer" in caplog.text


# ── Figures ───────────────────────────────────────────────────────────────────
def test_the_figures_are_for_whom_they_are_meant(db, settings, monkeypatch):
    def asked(given=None, **meta):
        headers = {"Authorization": f"Bearer {given}"} if given else {}
        return Client().get("/metrics", headers=headers, **meta).status_code

    assert asked() == 404  # nobody, as long as nothing is set
    assert asked("x" * 30) == 404
    settings.METRICS_TOKEN = SECRET
    assert [asked(), asked("x" * 30), asked(SECRET)] == [404, 404, 200]
    monkeypatch.setenv("METRICS_ALLOW", "127.0.0.1,10.1.0.0/16")
    settings.METRICS_ALLOW = env.networks("METRICS_ALLOW")
    assert [asked(), asked(REMOTE_ADDR="10.2.0.1"), asked(REMOTE_ADDR="10.1.2.3")] == [
        200,
        404,
        200,
    ]
    # Through a proxy that nobody declared, everybody would have its address.
    assert asked(HTTP_X_FORWARDED_FOR="203.0.113.5") == 404
    assert asked(REMOTE_ADDR="") == 404


def test_requests_are_counted_by_route_and_rows_are_read(world, settings):
    settings.METRICS_TOKEN = SECRET
    fill(world)
    client = Client()
    before = figures(client)
    client.get("/api/v1/sensors/")
    client.get("/api/v1/sensors/no-such/")
    client.get("/wp-login.php")
    after = figures(client)

    def more(status, route):
        labels = (("method", "GET"), ("route", route), ("status", status))
        name = "spanbook_requests_total"
        return after.get((name, labels), 0) - before.get((name, labels), 0)

    routes = {dict(labels)["route"] for name, labels in after if name == "spanbook_requests_total"}
    assert more("404", "none") >= 1
    assert sum(more("401", route) for route in routes) == 2
    assert not [route for route in routes if "no-such" in route]
    assert after["spanbook_flags_open", (("kind", "slope"), ("level", "beyond"))] >= 2
    assert (
        after["spanbook_scans_under_way", ()] == ScanRun.objects.filter(finished_at=None).count()
    )
    untold = [
        row for row in Reminder.objects.all() if row.status == "open" and not row.last_told_on
    ]
    assert after["spanbook_reminders_unsent", ()] == len(untold) >= 2


def figures(client):
    """Read the page with the monitoring system's own library."""
    answer = client.get("/metrics", headers={"Authorization": f"Bearer {SECRET}"})
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(answer.content.decode())
        for sample in family.samples
    }


def test_what_waits_and_since_when(world):
    from datetime import timedelta

    def value(name):
        return {gauge.name: gauge.values for gauge in gauges(now=NOW)}[name][()]

    assert (value("backlog_sensors"), value("oldest_unsent_reminder_seconds")) == (
        StaleSensor.objects.count(), 0.0,
    )  # fmt: skip
    sensor = world.sensors["A1"]
    Reminder.objects.filter(sensor=sensor).delete()
    old = NOW - timedelta(hours=5)
    Reminder.objects.create(sensor=sensor, due_on=old.date(), why="interval", created_at=old)
    StaleSensor.objects.get_or_create(sensor=sensor, defaults={"since": old, "why": "test"})
    assert value("oldest_unsent_reminder_seconds") == 5 * 3600
    assert value("backlog_sensors") >= 1
    ScanRun.objects.create(started_at=old, finished_at=old, judged=7, failed=[{"sensor": 1}])
    assert value("last_scan_age_seconds") == 5 * 3600
    assert (value("last_scan_judged"), value("last_scan_failed")) == (7, 1)


def test_figures_cost_a_handful_of_queries(world, django_assert_max_num_queries):
    with django_assert_max_num_queries(9):
        assert len(list(gauges(now=NOW))) >= 8
