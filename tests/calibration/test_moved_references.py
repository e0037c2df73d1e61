"""A flag of a reference says which one moved, on which day, and what else was calibrated with it.

Local days are compared with the standard library's `zoneinfo` on the IANA time zone database.
"""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from calibration import fleetwide, records
from calibration.models import Calibration, DriftFlag
from calibration.records import PointDraft
from fleet.access import scope_of
from fleet.models import Dealer
from tests.conftest import NOW, SYSTEM
from tests.desk import page, signed_in, without_files

API = "/api/v1/flags/"
LIST = "admin:calibration_driftflag_changelist"
EVENING = datetime(2026, 3, 8, 23, 0, tzinfo=UTC)  # 07:00 of the 9th in Perth


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


def measured(world, which, at, *, reference="A"):
    used = world.references[reference] if reference else None
    points = (PointDraft(0, 20000), PointDraft(100, 30000))
    draft = world.draft(which, performed_at=at, reference=used, points=points)
    return records.record_calibration(draft, scope=SYSTEM, now=max(NOW, at)).calibration


def flag_on(record):
    return DriftFlag.objects.create(
        sensor=record.sensor, calibration=record, kind="reference", level="beyond",
        magnitude=6.5, tolerance=3.0, p_out=0.99, opened_at=NOW,
    )  # fmt: skip


@pytest.fixture
def moved(world):
    """A dealer in Perth; two cells on the flagged day, two days of UTC, and one the day after."""
    Dealer.objects.filter(pk=world.dealers["A"].pk).update(timezone="Australia/Perth")
    for row in (*world.sensors.values(), *world.references.values(), world.dealers["A"]):
        row.refresh_from_db()
    first = measured(world, "A1", EVENING)
    measured(world, "A2", EVENING + timedelta(hours=4))
    measured(world, "A1b", EVENING + timedelta(hours=5), reference=None)
    measured(world, "A2b", EVENING + timedelta(hours=17))  # 00:00 of the 10th in Perth
    return flag_on(first)


def told(flag, scope=SYSTEM):
    return fleetwide.moved_references([flag], scope=scope).get(flag.pk)


def test_it_names_reference_day_and_the_other_cells_of_that_day(world, moved):
    found = told(moved)
    assert found.reference == world.references["A"]
    assert found.day.isoformat() == "2026-03-09"
    assert [row.sensor_serial for row in found.others] == ["S-A2"]


def test_a_cell_calibrated_twice_is_named_once_and_a_replaced_record_never(world, moved):
    again = measured(world, "A2", EVENING + timedelta(hours=6))
    wrong = measured(world, "A2b", EVENING + timedelta(hours=7))
    draft = world.draft(
        "A2b", performed_at=EVENING + timedelta(days=3), supersedes=wrong,
        supersede_reason="another day",
    )  # fmt: skip
    records.record_calibration(draft, scope=SYSTEM, now=NOW)
    assert [row.pk for row in told(moved).others] == [again.pk]


def test_other_kinds_have_nothing_and_ask_nothing(world, moved):
    moved.kind = "slope"
    with CaptureQueriesContext(connection) as asked:
        assert told(moved) is None
    assert len(asked) == 0


def test_many_flags_ask_as_much_as_one(world, moved):
    others = [flag_on(row) for row in Calibration.objects.exclude(pk=moved.calibration_id)]

    def cost(flags):
        with CaptureQueriesContext(connection) as asked:
            assert len(fleetwide.moved_references(flags, scope=SYSTEM)) == len(flags)
        return len(asked)

    assert cost([moved]) == cost([moved, *others])


def test_a_list_asks_once_for_all(world, moved):
    with CaptureQueriesContext(connection) as asked:
        found = fleetwide.moved_references([moved], scope=SYSTEM, with_others=False)
    assert len(asked) == 1
    assert (found[moved.pk].reference, found[moved.pk].others) == (world.references["A"], [])


def test_who_may_not_know_the_reference_is_told_the_day_alone(world, moved):
    scope = scope_of(world.users["managerB"])
    found = told(moved, scope)
    assert (found.reference, found.others) == (None, [])


def test_the_page_names_them_with_links(world, moved):
    technician = signed_in(world.users["techA"])
    text = technician.get(page(DriftFlag, "change", moved.pk)).content.decode()
    other = Calibration.objects.get(sensor=world.sensors["A2"])
    assert f'{page(other, "change", other.pk)}">S-A2</a>' in text
    assert (
        f'{page(world.references["A"], "change", world.references["A"].pk)}">scale 1</a>' in text
    )
    assert "2026-03-09" in text
    assert "1 other cell was calibrated with it that day" in text
    assert "S-A2b" not in text
    assert "S-A1b" not in text


def test_the_lists_name_reference_and_day(world, moved):
    technician = signed_in(world.users["techA"])
    text = technician.get(reverse(LIST)).content.decode()
    assert "+6.50 % (tolerance 3 %), scale 1, 2026-03-09" in text
    assert "scale 1, 2026-03-09" in technician.get(reverse("admin:index")).content.decode()


def test_a_program_is_told_the_same(world, moved, client):
    _, token = world.users["techA"].auth_token_set.create(name="test")
    client.defaults["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    (shown,) = client.get(f"{API}?kind=reference").json()["results"]
    other = Calibration.objects.get(sensor=world.sensors["A2"])
    assert shown["moved"] == {
        "reference": world.references["A"].pk,
        "reference_name": "scale 1",
        "day": "2026-03-09",
        "others": [
            {"calibration": str(other.pk), "sensor": other.sensor_id, "sensor_serial": "S-A2"}
        ],
    }
    assert client.get(f"{API}{moved.pk}/").json() == shown
