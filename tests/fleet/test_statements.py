"""A statement that is put together once answers as the query that it was made from."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from calibration.columns import among
from calibration.models import Calibration, Reminder, TolerancePolicy
from fleet import registry
from fleet.models import Customer, Sensor
from fleet.statements import Statement
from tests.conftest import SYSTEM

OF_SENSOR = Statement(
    lambda mark: (
        Calibration.objects.filter(sensor=mark)
        .order_by("performed_at")
        .values_list(
            "id", "performed_at", "judgement__causes", "judgement__trusted", "temperature_c"
        )
    )
)
BY_KEY = Statement(
    lambda mark: Calibration.objects.filter(pk__among=[mark]).order_by().values_list("id"),
    uuids=True,
)
ONE_BY_KEY = Statement(
    lambda mark: Calibration.objects.filter(pk=mark).order_by().values_list("sensor_id"),
    uuids=True,
)
SERIALS = Statement(
    lambda mark: Sensor.objects.filter(among("pk", [mark])).order_by("pk").values_list("serial")
)


@pytest.fixture
def seasons(world):
    return [world.season("A1", year).calibration for year in (2023, 2024, 2025)]


def test_rows_have_the_types_that_the_query_gives(world, seasons):
    rows = Calibration.objects.filter(sensor=world.sensors["A1"]).order_by("performed_at")
    plain = rows.values_list(
        "id", "performed_at", "judgement__causes", "judgement__trusted", "temperature_c"
    )
    for _ in range(7):  # as the server plans it once
        assert list(map(tuple, OF_SENSOR.one(world.sensors["A1"].pk))) == list(plain)
    assert OF_SENSOR.one(world.sensors["A2"].pk) == []


def test_many_keys_and_none(world, seasons):
    keys = [row.pk for row in seasons[:2]]
    assert {key for (key,) in BY_KEY.many(keys)} == set(keys)
    assert BY_KEY.many([]) == []
    assert list(map(tuple, ONE_BY_KEY.one(keys[0]))) == [(world.sensors["A1"].pk,)]
    several = sorted(sensor.pk for sensor in world.sensors.values())
    assert [serial for (serial,) in SERIALS.many(several)] == list(
        Sensor.objects.filter(pk__in=several).order_by("pk").values_list("serial", flat=True)
    )


def test_it_is_one_query_that_the_log_shows(world):
    with CaptureQueriesContext(connection) as queries:
        SERIALS.many([world.sensors["A1"].pk])
    assert len(queries) == 1


def test_a_query_without_a_key(world):
    TolerancePolicy.objects.create(dealer=world.dealers["A"])
    every = Statement(lambda _: TolerancePolicy.objects.order_by("pk").values_list("dealer_id"))
    assert list(map(tuple, every.all())) == [(world.dealers["A"].pk,)]


@pytest.mark.skipif(connection.vendor != "postgresql", reason="only PostgreSQL keeps plans")
def test_the_server_plans_a_statement_once_and_others_each_time(world):
    """PostgreSQL's own list of what the connection has prepared, and of the plans it used."""
    key = world.sensors["A1"].pk
    statement = Statement(lambda mark: Sensor.objects.filter(pk=mark).values_list("lot", "serial"))
    for _ in range(8):
        assert statement.one(key) == [("L1", "S-A1")]
        assert Sensor.objects.filter(pk=key).values_list("serial", "lot").get() == ("S-A1", "L1")
    with connection.cursor() as cursor:
        cursor.execute("SELECT statement, generic_plans, custom_plans FROM pg_prepared_statements")
        kept = {sql: plans for sql, *plans in cursor.fetchall()}
    (plans,) = [each for sql, each in kept.items() if sql.startswith(_selects("lot", "serial"))]
    assert plans == [8, 0]
    assert not [sql for sql in kept if sql.startswith(_selects("serial", "lot"))]


def _selects(*names):
    return "SELECT " + ", ".join(f'"fleet_sensor"."{name}" AS "{name}"' for name in names)


@pytest.mark.parametrize("name", ["Farm 100 %", "%s", "50%s", "O'Neill \\ Sons", '"quoted"'])
def test_what_is_the_same_each_time_may_be_any_text(world, name):
    registry.register_customer(scope=SYSTEM, dealer=world.dealers["A"], name=name)
    statement = Statement(
        lambda mark: Customer.objects.filter(dealer=mark, name=name).values_list("name")
    )
    assert statement.one(world.dealers["A"].pk) == [(name,)]
    assert statement.one(world.dealers["B"].pk) == []


@pytest.mark.skipif(connection.vendor != "postgresql", reason="only PostgreSQL keeps plans")
def test_an_index_on_some_of_the_rows_serves_a_kept_plan(world):
    """By EXPLAIN of the statement as the server has prepared it."""
    statement = Statement(
        lambda mark: Reminder.objects.filter(status="open", sensor=mark).values_list("due_on")
    )
    statement.one(world.sensors["A1"].pk)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT name, parameter_types::text FROM pg_prepared_statements"
            " WHERE statement LIKE '%%calibration_reminder%%'"
        )
        ((name, types),) = cursor.fetchall()
        assert "," not in types  # the sensor alone
        cursor.execute("SET LOCAL enable_seqscan = off")
        cursor.execute(f'EXPLAIN EXECUTE "{name}" (1)')
        plan = "\n".join(line for (line,) in cursor.fetchall())
    assert "reminder_open_once" in plan


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite plans by itself")
def test_the_server_is_told_how_to_plan(db):
    names = ("plan_cache_mode", "random_page_cost", "jit")
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(f'current_setting({name!r})' for name in names)}")
        assert cursor.fetchone() == ("force_generic_plan", "1.1", "off")
