"""Today is the dealer's day: what is late, what comes soon, the day in a file's name."""

from datetime import UTC, date, datetime

import pytest
from django.urls import reverse

from calibration.admin.home import machines_due, references_ending, visits_soon
from calibration.models import DueState, ReferenceStandard, Visit
from tests.conftest import NOW
from tests.desk import signed_in, without_files

# It is still the 9th in the south (UTC-3), and the 10th in the north (UTC+2) already.
EVENING, NIGHT = datetime(2026, 4, 10, 1, 0, tzinfo=UTC), datetime(2026, 4, 9, 23, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


def due_everywhere(world, day: date) -> None:
    for which in ("A1", "B1"):
        sensor, said = world.sensors[which], {"due_on": day, "decided_by": "interval"}
        DueState.objects.update_or_create(sensor=sensor, defaults=said)
    DueState.objects.exclude(sensor__in=[world.sensors["A1"], world.sensors["B1"]]).delete()


@pytest.mark.parametrize("now", [EVENING, NIGHT])
def test_the_total_says_overdue_where_its_rows_say_late(world, now):
    due_everywhere(world, date(2026, 4, 9))
    shown = machines_due(world.scopes["admin"], now)
    assert {row["machine"].serial for row in shown["first"] if row["late"]} == {"M-A1"}
    assert (shown["total"], shown["overdue"]) == (2, 1)


@pytest.mark.parametrize("now", [EVENING, NIGHT])
def test_the_week_to_come_begins_with_the_dealers_day(world, now):
    for which in ("A1", "B1"):
        Visit.objects.create(
            customer=world.customers[which], season=2026, planned_on=date(2026, 4, 17),
            due_on=date(2026, 4, 20), updated_at=NOW,
        )  # fmt: skip
    soon = visits_soon(world.scopes["admin"], now)
    assert [row["row"].customer.name for row in soon] == ["Farm A1"]


@pytest.mark.parametrize("now", [EVENING, NIGHT])
def test_a_certificate_ends_by_the_dealers_day(world, now):
    def listed() -> dict:
        found = references_ending(world.scopes["admin"], now)
        return {item["row"].dealer.code: (item["away"], item["late"]) for item in found}

    ReferenceStandard.objects.update(valid_until=date(2026, 4, 9))
    assert listed() == {"NORTH": ("1 day ago", True), "SOUTH": ("today", False)}
    ReferenceStandard.objects.update(valid_until=date(2026, 6, 9))  # 60 days after 10 April
    assert set(listed()) == {"NORTH"}


def test_two_more_zones_cost_no_more_queries(world, django_assert_num_queries):
    scope = world.scopes["admin"]
    for zone in ("Europe/Warsaw", "Pacific/Kiritimati", "Pacific/Pago_Pago"):
        world.dealers["B"].timezone = zone
        world.dealers["B"].save()
        with django_assert_num_queries(1):
            visits_soon(scope, NOW)
        with django_assert_num_queries(1):
            references_ending(scope, NOW)


def test_a_certificate_is_named_by_the_day_on_it(world, monkeypatch):
    monkeypatch.setattr("calibration.documents.certificate", lambda *_, **__: b"%PDF")
    row = world.season("A1", 2026, performed_at=datetime(2026, 3, 10, 23, 30, tzinfo=UTC))
    address = reverse("admin:calibration_calibration_certificate", args=[row.calibration.pk])
    answer = signed_in(world.users["techA"]).get(address)
    assert "calibration-S-A1-2026-03-11.pdf" in answer.headers["Content-Disposition"]
