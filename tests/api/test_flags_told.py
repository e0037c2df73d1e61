"""Filters of flags tell no more than the answers do: after a resale neither person nor family."""

import pytest

from calibration.models import DriftFlag, FlagFamily
from calibration.records import PointDraft
from fleet import registry
from fleet.models import Customer
from fleet.scope import Scope
from tests.conftest import NOW

FLAGS = "/api/v1/flags/"


@pytest.fixture
def given(world):
    """Return a flag that A's technician had, in A's family; B's customer bought the machine."""
    world.season("A1", 2025)
    world.season("A1", 2026, points=(PointDraft(0, 20000), PointDraft(100, 31000)))
    flag = DriftFlag.objects.exclude(status="closed").first()
    flag.family = FlagFamily.objects.create(dealer=world.dealers["A"], cause="jack", made_at=NOW)
    flag.assigned_to, flag.assigned_for = world.users["techA"], world.dealers["A"]
    flag.save()
    machine = flag.sensor.installations.get(removed_on=None).machine
    buyer = Customer.objects.filter(dealer=world.dealers["B"]).first()
    registry.transfer_machine(scope=Scope.system(), machine=machine, customer=buyer)
    return flag


@pytest.mark.parametrize("person", ["managerB", "reviewer"])
def test_who_is_not_told_of_them_cannot_find_by_them(client_of, given, person):
    client = client_of(person)
    (shown,) = client.get(f"{FLAGS}?kind={given.kind}").json()["results"]
    assert (shown["id"], shown["assigned_to"], shown["family"]) == (given.pk, "", None)
    for asked in ("assigned_to=techA", f"family={given.family_id}"):
        assert client.get(f"{FLAGS}?{asked}").json()["results"] == []


def test_an_administrator_finds_by_them(client_of, world, given):
    client = client_of("admin")
    for asked in (f"assigned_to={world.users['techA'].username}", f"family={given.family_id}"):
        assert [row["id"] for row in client.get(f"{FLAGS}?{asked}").json()["results"]] == [
            given.pk
        ]
