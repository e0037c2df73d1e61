"""The bench of the scan on a small fleet: its rows are sound, and everybody agrees on them."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection

from calibration.models import Calibration
from calibration.scan import run_scan
from fleet.models import Installation, Sensor
from tests.bench import scan_columns, scan_database
from tests.bench.scan_columns import Table
from tests.bench.scan_findings import findings
from tests.bench.scan_readings import SEASONS, Fleet

TODAY = date(2026, 11, 25)
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
SIZE = 606  # the last machine has two cells, the last customer one machine and a half


def store(tables):
    """Add rows to the test's database, whichever it is."""
    connection.ensure_connection()
    if connection.vendor == "postgresql":
        return scan_columns.copy_in(connection.connection, tables)
    return scan_columns.insert_into(connection.connection, tables)


@pytest.fixture
def fleet(db):
    """Return a small fleet whose rows are stored."""
    made = Fleet(SIZE, today=TODAY)
    store(made.register_tables())
    for season in range(SEASONS):
        store(made.season_tables(season))
    return made


def test_the_rows_are_what_the_tables_take(fleet):
    connection.check_constraints()  # every key refers to a row
    assert Calibration.objects.count() == SEASONS * SIZE
    assert Sensor.objects.count() == SIZE
    moved = Installation.objects.filter(removed_on__isnull=False)
    assert moved.count() == round(0.02 * SIZE) == len(fleet.register.moved)


def test_the_rows_come_back_as_they_were_made(fleet):
    table, points = next(zip(*[fleet.season_tables(2)] * 2, strict=True))
    column = table.columns
    by_id = {row.pk.bytes: row for row in Calibration.objects.filter(chain_number=3)}
    rows = [by_id[key.tobytes()] for key in column["id"]]
    assert [row.sensor_id for row in rows] == column["sensor_id"].tolist()
    moments = [np.datetime64(row.performed_at.replace(tzinfo=None), "us") for row in rows]
    assert (np.array(moments) == column["performed_at"]).all()
    assert [row.reference_id or -1 for row in rows] == column["reference_id"].tolist()
    assert [row.reason.encode() for row in rows] == column["reason"].tolist()
    pressure = [np.nan if row.hydraulic_pressure is None else 0.0 for row in rows]
    assert np.array_equal(pressure, column["hydraulic_pressure"], equal_nan=True)
    stored = [
        (point.number, point.load, point.reading)
        for row in rows
        for point in row.points.order_by("number")
    ]
    made = [points.columns[name].tolist() for name in ("number", "load", "reading")]
    assert stored == list(zip(*made, strict=True))


def test_a_customers_cells_are_calibrated_in_one_visit(fleet):
    visits = Calibration.objects.values_list(
        "installation__machine__customer", "chain_number", "performed_at", "reference"
    )
    seen = {}
    for customer, number, moment, reference in visits.filter(
        installation__machine__in=range(1, 10), dealer_id=1
    ):
        seen.setdefault((customer, number), set()).add((moment.date(), reference))
    assert {len(days) for days in seen.values()} == {1}


def test_the_same_fleet_again_is_the_same():
    one, other = (list(Fleet(240, today=TODAY).season_tables(1)) for _ in range(2))
    for this, that in zip(one, other, strict=True):
        for name, values in this.columns.items():
            assert values.tobytes() == that.columns[name].tobytes(), name


def test_the_scan_finds_what_was_planted(fleet):
    run = run_scan(full=True, now=NOW)
    assert (run.judged, run.failed) == (SIZE, [])
    with connection.cursor() as cursor:
        found = findings(cursor, fleet)
    assert found.large > 20
    assert found.large_found >= 0.98 * found.large  # as `judgement`'s table asks: 0.99
    assert found.slips_found >= 0.7 * found.slips  # exchanged digits can be too alike to see
    assert found.sound_flagged <= 0.01 * found.sound


def test_a_changed_day_is_a_later_one_of_whole_customers(fleet):
    sensors, tables = fleet.change_tables(1)
    store(tables)
    connection.check_constraints()
    new = Calibration.objects.filter(chain_number=SEASONS + 1)
    assert sorted(new.values_list("sensor_id", flat=True)) == sensors.tolist()
    customers = set(new.values_list("installation__machine__customer", flat=True))
    beside = Installation.objects.filter(machine__customer__in=customers, removed_on=None)
    assert set(beside.values_list("sensor_id", flat=True)) == set(sensors.tolist())
    days = {moment.date() for moment in new.values_list("performed_at", flat=True)}
    assert len(days) == 1
    assert TODAY - timedelta(days=90) < days.pop() < TODAY


def test_null_and_short_texts_take_no_room():
    table = Table(
        "some",
        {
            "key": np.array([7, -1]),
            "text": np.array([b"ab", b""]),
            "real": np.array([np.nan, 1.0]),
        },
    )
    # The file format: PostgreSQL's documentation of COPY, "Binary Format", "Tuples".
    first = "0003 00000008 0000000000000007 00000002 6162 ffffffff"
    second = "0003 ffffffff 00000000 00000008 3ff0000000000000"
    assert scan_columns.encoded(table) == bytes.fromhex(first + second)


@pytest.mark.postgresql
@pytest.mark.parametrize("name", ["pandas", "polars", "duckdb", "sql", "orm"])
def test_the_peers_agree_with_our_own_core(fleet, name):
    if connection.vendor != "postgresql":
        pytest.skip("the peers read by COPY (DATABASE_URL)")
    from tests.bench.peers import clients, ours, rows, servers

    read = rows.read(connection.connection)
    compared = ours.compare(read)
    everybody = range(1, SIZE + 1)
    if name == "sql":
        flagged = servers.with_sql(connection.connection)
    elif name == "orm":
        flagged = servers.with_orm(everybody)
    else:
        pytest.importorskip(name)
        flagged = getattr(clients, f"with_{name}")(read)
    assert len(flagged) > 20
    assert compared.differs(flagged) == 0
    assert compared.differs(flagged[1:]) == 1
    assert compared.differs(ours.compare_stored(everybody)) == 0


@pytest.mark.postgresql
def test_a_database_of_somebody_else_is_left_alone(db):
    if connection.vendor != "postgresql":
        pytest.skip("only PostgreSQL's databases are made and dropped (DATABASE_URL)")
    mine = connection.settings_dict
    who = mine["USER"] + (f":{mine['PASSWORD']}" if mine["PASSWORD"] else "")
    url = f"postgresql://{who}@{mine['HOST']}:{mine['PORT'] or 5432}/{mine['NAME']}"
    with pytest.raises(SystemExit, match="the bench did not make it"):
        scan_database.drop(url)
    assert Sensor.objects.count() == 0  # and the table is still there
