"""Where somebody works is told to those who manage there, and to nobody else."""

import pytest

from fleet.models import Membership, Role, User
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _no_files(settings):
    without_files(settings)


@pytest.fixture
def both(world):
    """A technician of A who manages B too, and an administrator who is a technician of A."""
    person = world.users["techA"]
    Membership.objects.create(user=person, dealer=world.dealers["B"], role=Role.SERVICE_MANAGER)
    Membership.objects.create(
        user=world.users["admin"], dealer=world.dealers["A"], role=Role.TECHNICIAN
    )
    return world


def listed(client, query: str = "") -> dict[str, str]:
    answer = client.get(page(User, "changelist") + query)
    assert answer.status_code == 200
    shown = answer.context["cl"]
    return {row.username: shown.model_admin.roles(row) for row in shown.result_list}


def test_the_list_of_people_names_the_roles_at_the_callers_dealers_only(both):
    client = signed_in(both.users["managerA"])
    assert listed(client) == {
        "techA": "technician NORTH", "managerA": "service manager NORTH",
        "admin": "technician NORTH",
    }  # fmt: skip
    assert "SOUTH" not in client.get(page(User, "changelist")).content.decode()
    told = listed(signed_in(both.users["admin"]))
    assert told["techA"] == "technician NORTH, service manager SOUTH"


def test_a_filter_by_role_finds_no_role_that_lies_elsewhere(both):
    client = signed_in(both.users["managerA"])
    assert set(listed(client, "?role=technician")) == {"techA", "admin"}
    assert set(listed(client, "?role=service_manager")) == {"managerA"}
    assert listed(client, "?role=administrator") == {}
    probe = client.get(page(User, "changelist") + "?memberships__role=service_manager")
    assert probe.status_code == 400
    boss = signed_in(both.users["admin"])
    assert {"techA", "managerA", "managerB"} == set(listed(boss, "?role=service_manager"))


def test_who_manages_here_and_is_a_technician_there_reads_the_roles_here(both):
    Membership.objects.create(
        user=both.users["managerA"], dealer=both.dealers["B"], role=Role.TECHNICIAN
    )
    client = signed_in(both.users["managerA"])
    assert listed(client)["techA"] == "technician NORTH"
    answer = client.get(page(Membership, "changelist"))
    assert {row.dealer for row in answer.context["cl"].result_list} == {both.dealers["A"]}
    person = both.users["techA"]
    text = client.get(page(person, "change", person.pk)).content.decode()
    assert "NORTH" in text or "Nordfeld" in text
    assert "SOUTH" not in text
    assert "Campo Sul" not in text


def test_a_role_that_is_not_told_still_keeps_the_account_from_others(both):
    client, person = signed_in(both.users["managerA"]), both.users["techA"]
    data = {"username": "taken-over", "is_active": "on"}
    assert client.post(page(person, "change", person.pk), data).status_code == 403
