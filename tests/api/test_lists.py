"""Lists: pages that stay put, order, filters, search, exports, a fixed number of queries."""

import csv
import io
import json
from datetime import UTC, date, datetime
from urllib.parse import urlsplit

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from openpyxl import load_workbook

from api.conditions import Moment
from api.downloads import cell, harmless
from api.urls import RESOURCES
from calibration.models import DriftFlag, Judgement, Reminder
from fleet import registry
from fleet.models import Machine, Sensor
from fleet.scope import Scope
from tests.api.conftest import NOW, V1, calibration, refused

SYSTEM = Scope.system()


def walk(client, path):
    """Return the ids of every page, following `next`; then check the way back."""
    pages, address = [], path
    while address:
        body = client.get(address).json()
        pages.append([row["id"] for row in body["results"]])
        back, address = body["previous"], body["next"]
    ways = []
    while back:
        body = client.get(back).json()
        ways.append([row["id"] for row in body["results"]])
        back = body["previous"]
    assert ways == pages[-2::-1]
    return [key for page in pages for key in page]


def sensors(world, count):
    for number in range(count):
        registry.register_sensor(
            scope=SYSTEM, dealer=world.dealers["A"], serial=f"N{number:03}",
            model=world.sensor_model, lot=f"L{number % 3}",
        )  # fmt: skip


def test_pages_take_in_every_row_once(tech, world):
    sensors(world, 11)
    for order in (
        "serial",
        "-serial",
        "lot",
        "-lot,serial",
        "next_due",
        "-next_due",
        "model_name",
    ):
        keys = walk(tech, f"{V1}sensors/?page_size=4&ordering={order}")
        assert len(keys) == len(set(keys)) == 15


def test_order_with_empty_values_puts_them_last_both_ways(tech, world):
    for number, year in enumerate((2024, 2025, 2023)):
        world.season(["A1", "A1b", "A2"][number], year)
    for order in ("next_due", "-next_due"):
        rows = tech.get(f"{V1}sensors/?ordering={order}").json()["results"]
        due = [row["next_due"] for row in rows]
        assert due[-1] is None
        assert due[:3] == sorted(due[:3], reverse=order.startswith("-"))
        assert len(walk(tech, f"{V1}sensors/?ordering={order}&page_size=1")) == 4


def test_a_page_stays_put_while_rows_come_in(tech, world):
    first = tech.get(f"{V1}sensors/?page_size=2&ordering=serial").json()
    sensors(world, 3)  # N000 ... stand before S-A1
    second = tech.get(first["next"]).json()
    assert [row["serial"] for row in first["results"]] == ["S-A1", "S-A1b"]
    assert [row["serial"] for row in second["results"]] == ["S-A2", "S-A2b"]
    assert second["next"] is None


def test_pages_keep_their_filters(tech, world):
    sensors(world, 9)
    address = tech.get(f"{V1}sensors/?page_size=2&lot=L1&search=N0").json()["next"]
    assert {"lot=L1", "search=N0", "page_size=2"} <= set(urlsplit(address).query.split("&"))
    assert {row["lot"] for row in tech.get(address).json()["results"]} == {"L1"}


def test_a_cursor_serves_its_own_list_only(tech, world):
    address = tech.get(f"{V1}sensors/?page_size=1&ordering=serial").json()["next"]
    refused(tech.get(address.replace("ordering=serial", "ordering=lot")), 400)
    cursor = address.split("cursor=")[1].split("&")[0]
    refused(tech.get(f"{V1}machines/?cursor={cursor[:-3]}"), 400)


def test_the_usual_page_and_the_largest(tech, world):
    sensors(world, 60)
    assert len(tech.get(f"{V1}sensors/").json()["results"]) == 50
    assert len(tech.get(f"{V1}sensors/?page_size=500").json()["results"]) == 64


def ids(client, path):
    answer = client.get(V1 + path)
    assert answer.status_code == 200, answer.content
    return {row["id"] for row in answer.json()["results"]}


def test_calibrations_are_filtered(tech, admin, world):
    old = str(world.season("A1", 2024).calibration.pk)
    new = str(world.season("A1", 2025, reason="dispute", stage="as_left").calibration.pk)
    other = str(world.season("A2", 2025, reference=world.references["A"]).calibration.pk)
    theirs = str(world.season("B1", 2025).calibration.pk)
    caused = Judgement.objects.filter(calibration__in=[other, theirs])
    caused.update(causes=[{"code": "ageing", "probability": 0.6}])
    everything = {old, new, other}
    assert ids(tech, "calibrations/") == everything
    machine, customer = world.machines["A1"].pk, world.customers["A2"].pk
    for query, expected in {
        "sensor_serial=s-a1": {old, new},
        f"sensor={world.sensors['A1'].pk}": {old, new},
        "sensor=S-A2": {other},
        "sensor=S-A1&sensor=S-A2": everything,
        "sensor=S-B1": set(),
        "sensor_serial=S-B1": set(),
        f"sensor={world.sensors['B1'].pk}": set(),
        "performed_after=2025-01-01": {new, other},
        "performed_before=2025-01-01": {old},
        "performed_after=2025-03-10T09:00:00Z": {new, other},
        "performed_after=2025-03-10T10:00:01%2B01:00": set(),
        "performed_before=2025-03-10T09:00:00Z": {old},
        "reason=dispute": {new},
        "reason=dispute&reason=seasonal": everything,
        "stage=as_left": {new},
        "verdict=within": everything,
        "verdict=beyond": set(),
        "season=2024": {old},
        f"machine={machine}": {old, new},
        "machine_serial=M-A2": {other},
        f"customer={customer}": {other},
        "customer=Farm A2": {other},
        "customer=Farm B1": set(),
        "dealer=NORTH": everything,
        "dealer=SOUTH": set(),
        "reference=scale 1": {other},
        "lot=L1": everything,
        "sensor_model=LC-500": everything,
        "machine_model=Ackerfurche 8": everything,
        "cause=ageing": {other},
        "superseded=false": everything,
        "superseded=true": set(),
        "search=a2": {other},
        "search=M-A1 row": {old, new},
        "search=S-B1": set(),
    }.items():
        assert ids(tech, f"calibrations/?{query}") == expected, query
    assert ids(admin, "calibrations/?dealer=SOUTH") == {theirs}


def test_flags_are_filtered_and_the_worst_come_first(tech, rows, world):
    flag = rows["flags"]["A"]
    DriftFlag.objects.filter(pk=flag).update(
        level="beyond", kind="slope", status="open",
        causes=[{"code": "zero_shift", "probability": 0.7}, {"code": "ageing"}],
    )  # fmt: skip
    season = Judgement.objects.get(calibration=rows["calibrations"]["A"]).season
    watched = DriftFlag.objects.create(
        sensor=world.sensors["A2"], kind="overdue", level="watch", magnitude=3, tolerance=1,
        opened_at=NOW,
    ).pk  # fmt: skip
    everything = set(DriftFlag.objects.filter(sensor__dealer=world.dealers["A"]).values_list(
        "pk", flat=True))  # fmt: skip
    listed = tech.get(f"{V1}flags/").json()["results"]
    assert listed[-1]["id"] == watched
    assert listed[0]["level"] == "beyond"
    for query, has, hasnt in (
        ("sensor_serial=S-A1&status=open", flag, watched),
        ("kind=overdue", watched, flag),
        ("level=watch", watched, flag),
        ("machine=M-A2", watched, flag),
        (f"customer={world.customers['A1'].pk}", flag, watched),
        ("customer=Farm A2", watched, flag),
        (f"calibration={rows['calibrations']['A']}", flag, watched),
        ("p_out_from=0.5", flag, watched),
        ("cause=zero_shift", flag, watched),
        (f"season={season}", flag, watched),
        ("machine_model=Ackerfurche 8", flag, rows["flags"]["B"]),
        ("opened_after=2020-01-01", flag, rows["flags"]["B"]),
        ("search=S-A2", watched, flag),
    ):
        found = ids(tech, f"flags/?{query}")
        assert has in found, query
        assert hasnt not in found, query
        assert found <= everything


def test_sensors_are_filtered_by_their_open_flags(tech, rows, world):
    flag = DriftFlag.objects.get(pk=rows["flags"]["A"])
    others = DriftFlag.objects.exclude(pk=flag.pk)
    others.update(status="closed", level="beyond", causes=[{"code": "ageing"}])
    DriftFlag.objects.filter(pk=flag.pk).update(
        status="acknowledged", level="beyond", causes=[{"code": "ageing"}]
    )
    assert ids(tech, "sensors/?flagged=beyond") == {flag.sensor_id}
    assert ids(tech, "sensors/?cause=ageing&machine_model=Ackerfurche 8") == {flag.sensor_id}
    assert ids(tech, "sensors/?flagged=watch") == set()
    assert "unit_slip" in refused(tech.get(f"{V1}sensors/?cause=age"), 400)["detail"]


def test_registers_are_filtered(tech, world):
    assert ids(tech, "sensors/?machine_serial=M-A1") == {
        world.sensors["A1"].pk, world.sensors["A1b"].pk,
    }  # fmt: skip
    assert ids(tech, "sensors/?customer=Farm A2&search=b") == {world.sensors["A2b"].pk}
    assert ids(tech, "sensors/?has_tag=true") == set()
    assert ids(tech, "machines/?customer_name=farm a1") == {world.machines["A1"].pk}
    assert ids(tech, "machines/?model=Ackerfurche 8&serial=m-a2") == {world.machines["A2"].pk}
    assert ids(tech, "installations/?open=true&machine=M-A1&position=ROW 8") == {
        world.installations["A1b"].pk
    }
    assert ids(tech, "installations/?installed_before=2020-01-01") == set()
    assert ids(tech, "customers/?dealer_code=SOUTH") == set()


COUNTED = [
    "dealers", "memberships", "users", "customers", "machines", "sensors", "installations",
    "references", "policies", "calibrations", "functional-tests", "flags", "reminders", "visits",
    "imports", "tokens",
]  # fmt: skip


def test_the_number_of_queries_does_not_grow_with_the_rows(admin, rows, world):
    """`rows` gives one row of each kind to each dealer: page size 1 against all of them."""
    for resource in COUNTED:
        counts = []
        for size in (1, 500):
            with CaptureQueriesContext(
                connection,
            ) as queries:
                answer = admin.get(f"{V1}{resource}/?page_size={size}")
            assert answer.status_code == 200
            counts.append((len(answer.json()["results"]), len(queries)))
        (few, small), (many, large) = counts
        assert few == 1
        if resource != "tokens":
            assert many > 1, resource
        assert large <= small, (resource, counts, [q["sql"][:200] for q in queries])


def test_one_machine_and_one_history_take_a_fixed_number_of_queries(tech, world):
    paths = (
        f"machines/{world.machines['A1'].pk}/", f"sensors/{world.sensors['A1'].pk}/history/",
        f"customers/{world.customers['A1'].pk}/visit-sheet/",
    )  # fmt: skip
    counts = []
    for year in (2021, 2022, 2023, 2024):
        world.season("A1", year)
        world.season("A1b", year)
        if year > 2021:
            with CaptureQueriesContext(connection) as queries:
                answers = [tech.get(V1 + path) for path in paths]
            assert {answer.status_code for answer in answers} == {200}
            counts.append(len(queries))
    assert counts[0] == counts[-1]


def read(answer):
    assert answer.status_code == 200, answer.content
    return b"".join(answer.streaming_content)


def test_exports_hold_what_the_list_holds(tech, world):
    world.season("A1", 2024)
    tech.post(f"{V1}calibrations/", calibration(technician="=cmd()", note="+1\tx"))
    listed = tech.get(f"{V1}calibrations/").json()["results"]
    path = f"{V1}calibrations/?format="
    lines = [json.loads(line) for line in read(tech.get(path + "ndjson")).decode().splitlines()]
    assert lines == listed
    table = list(csv.DictReader(io.StringIO(read(tech.get(path + "csv")).decode())))
    assert [row["id"] for row in table] == [row["id"] for row in listed]
    assert table[0]["technician"] == "'=cmd()"
    assert table[0]["note"] == "'+1\tx"
    assert float(table[0]["fit.slope"]) == listed[0]["fit"]["slope"]
    answer = tech.get(path + "xlsx")
    assert "calibrations.xlsx" in answer["Content-Disposition"]
    sheet = load_workbook(io.BytesIO(read(answer))).active
    book = list(sheet.iter_rows(values_only=True))
    assert [row[0] for row in book[1:]] == [row["id"] for row in listed]
    assert "'=cmd()" in book[1]
    only = read(tech.get(path + "csv&sensor_serial=S-A2")).decode()
    assert len(only.splitlines()) == 1


def test_an_export_holds_more_than_a_page(tech, world):
    sensors(world, 300)
    text = read(tech.get(f"{V1}sensors/?format=csv&ordering=serial")).decode()
    serials = [row["serial"] for row in csv.DictReader(io.StringIO(text))]
    assert len(serials) == 304
    assert serials == sorted(serials)


def test_an_export_of_flags(tech, rows):
    text = read(tech.get(f"{V1}flags/?format=csv")).decode()
    first = next(csv.DictReader(io.StringIO(text)))
    assert first["sensor_serial"] == "S-A1"
    assert json.loads(first["causes"])


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r"])
def test_cells_that_a_spreadsheet_would_run(sign):
    assert harmless(f"{sign}1+1") == f"'{sign}1+1"
    assert harmless(-1.5) == -1.5
    assert harmless(f"1{sign}1") == f"1{sign}1"


def test_cells_of_nested_rows():
    row = {"a": {"b": 1, "c": [1, {"d": 2}]}, "e": True}
    assert [cell(row, name) for name in ("a.b", "a.c", "a.x.y", "e", "f")] == [
        1, '[1, {"d": 2}]', None, "true", None,
    ]  # fmt: skip


def test_reminders_and_installations_in_order(tech, rows, world):
    Reminder.objects.filter(pk=rows["reminders"]["A"]).update(due_on=date(2026, 1, 5))
    listed = tech.get(f"{V1}reminders/?due_before=2026-02-01&status=open").json()["results"]
    assert [row["id"] for row in listed] == [rows["reminders"]["A"]]
    assert listed[0]["sensor_serial"] == "S-A1"
    assert Machine.objects.count() == 4
    assert Sensor.objects.count() == 8


def test_moments_are_utc_and_a_local_day_is_asked_for_with_its_offset(admin, world):
    """Warsaw is an hour ahead of UTC in March: its 11th begins on the 10th at 23:00 UTC."""
    late = world.season("A1", 2026, performed_at=datetime(2026, 3, 10, 23, 30, tzinfo=UTC))
    path = f"{V1}calibrations/"

    def found(first, end):
        asked = {"performed_after": first, "performed_before": end}
        return [row["id"] for row in admin.get(path, asked).json()["results"]]

    assert found("2026-03-10", "2026-03-11") == [str(late.id)]
    assert found("2026-03-11", "2026-03-12") == []
    assert found("2026-03-11T00:00:00", "2026-03-12T00:00:00") == []
    assert found("2026-03-11T00:00:00+01:00", "2026-03-12T00:00:00+01:00") == [str(late.id)]


def test_every_filter_by_moment_says_that_it_is_utc(admin):
    described = admin.get("/api/schema/", HTTP_ACCEPT="application/vnd.oai.openapi+json").json()
    moments = {
        (views.resource, name)
        for views in RESOURCES
        for name, rule in views.filters.items()
        if isinstance(rule, Moment)
    }
    assert ("calibrations", "performed_after") in moments
    for resource, name in moments:
        parameters = described["paths"][f"{V1}{resource}/"]["get"]["parameters"]
        (said,) = [each["description"] for each in parameters if each["name"] == name]
        assert "UTC" in said
        assert "offset" in said
