"""One's own tokens, and a sensor that takes another's place."""

import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date

import pytest
from django.db import connection, connections, transaction
from django.urls import reverse
from rest_framework.test import APIClient

from calibration.models import StaleSensor
from fleet import registry
from fleet.models import AccessToken, Installation
from fleet.own_tokens import MOST
from tests.conftest import SYSTEM
from tests.desk import signed_in, without_files

PAGE = "admin:fleet_user_tokens"


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


@pytest.fixture
def technician(world):
    return signed_in(world.users["techA"])


def test_a_token_is_shown_once_opens_the_api_and_is_revoked(world, technician):
    made = technician.post(reverse(PAGE), {"name": "yard tablet"})
    token = made.context["token"]
    assert made.content.decode().count(token) == 1
    assert "no-store" in made.headers["Cache-Control"]
    later = technician.get(reverse(PAGE)).content.decode()
    assert token not in later
    assert "yard tablet" in later
    client = APIClient(headers={"authorization": f"Bearer {token}"})
    assert client.get("/api/v1/sensors/").status_code == 200
    key = technician.get(reverse(PAGE)).context["tokens"][0]["key"]
    door = reverse("admin:fleet_user_token_revoke", args=[key])
    assert technician.get(door).status_code == 405
    signed_in(world.users["techB"]).post(door)
    assert AccessToken.objects.count() == 1
    technician.post(door)
    assert AccessToken.objects.count() == 0
    assert client.get("/api/v1/sensors/").status_code == 401


@pytest.mark.parametrize("name", ["", "   ", "x" * 81])
def test_a_token_without_a_name_is_refused(technician, name):
    answer = technician.post(reverse(PAGE), {"name": name})
    assert "Say what it is for" in answer.content.decode()
    assert AccessToken.objects.count() == 0


def test_there_is_an_end_to_tokens(world, technician):
    for number in range(MOST):
        world.users["techA"].auth_token_set.create(name=str(number))
    answer = technician.post(reverse(PAGE), {"name": "one more"})
    assert "revoke one first" in answer.content.decode()
    assert AccessToken.objects.count() == MOST


# ── replacing a sensor ───────────────────────────────────────────────────────
@pytest.fixture
def spare(world):
    return registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="S-NEW", model=world.sensor_model
    )


def test_a_sensor_takes_anothers_place(world, technician, spare):
    old = world.sensors["A1"]
    door = reverse("admin:fleet_sensor_replace", args=[old.pk])
    assert "S-A1 comes off" in technician.get(door).content.decode()
    answer = technician.post(door, {"sensor": "s-new", "on": "2026-03-01"})
    assert answer.status_code == 302
    gone = Installation.objects.get(sensor=old)
    here = Installation.objects.get(sensor=spare)
    assert gone.removed_on == here.installed_on == date(2026, 3, 1)
    assert (here.machine, here.position) == (gone.machine, gone.position)
    assert set(StaleSensor.objects.values_list("sensor", flat=True)) >= {old.pk, spare.pk}
    assert technician.get(door).status_code == 404  # it sits on no machine any more


def test_sent_twice_it_is_one_replacement_and_no_error(world, technician, spare):
    door = reverse("admin:fleet_sensor_replace", args=[world.sensors["A1"].pk])
    sent = {"sensor": "S-NEW", "on": "2026-03-01"}
    first, again = technician.post(door, sent), technician.post(door, sent)
    assert again.status_code == first.status_code == 302
    assert again["Location"] == first["Location"]
    assert Installation.objects.filter(sensor=spare).count() == 1
    for other in ({"sensor": "S-NEW", "on": "2026-03-02"}, {"sensor": "S-A2", "on": "2026-03-01"}):
        assert technician.post(door, other).status_code == 404


def _until_somebody_waits():
    with connection.cursor() as cursor:
        for _ in range(600):
            cursor.execute("SELECT count(*) FROM pg_locks WHERE NOT granted")
            if cursor.fetchone()[0]:
                return
            time.sleep(0.05)
    raise AssertionError("nobody waited for the row")


@pytest.mark.django_db(transaction=True)
def test_sent_twice_at_once_it_is_one_replacement_and_no_error(world, technician, spare):
    """A double tap: the second is read while the first has not been committed."""
    if connection.vendor != "postgresql":
        pytest.skip("the row lock is PostgreSQL's (DATABASE_URL)")
    door = reverse("admin:fleet_sensor_replace", args=[world.sensors["A1"].pk])
    again = signed_in(world.users["techA"])

    def second():
        try:
            return again.post(door, {"sensor": "S-NEW", "on": "2026-03-01"})
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        with transaction.atomic():
            first = technician.post(door, {"sensor": "S-NEW", "on": "2026-03-01"})
            late = pool.submit(second)
            _until_somebody_waits()
        assert (late.result(60).status_code, first.status_code) == (302, 302)
    assert Installation.objects.filter(sensor=spare).count() == 1


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({"sensor": "S-B1", "on": "2026-03-01"}, "No sensor"),
        ({"sensor": "S-A2", "on": "2026-03-01"}, ""),
        ({"sensor": "S-NEW", "on": "2999-01-01"}, "that day is to come"),
        ({"sensor": "S-NEW", "on": "2019-01-01"}, ""),
        ({"sensor": "S-NEW", "on": "soon"}, "Enter a valid date"),
    ],
)
def test_what_cannot_be_changes_nothing(world, technician, spare, data, said):
    before = list(Installation.objects.order_by("pk").values())
    answer = technician.post(
        reverse("admin:fleet_sensor_replace", args=[world.sensors["A1"].pk]), data
    )
    assert answer.status_code == 200
    assert "errorlist" in answer.content.decode()
    assert said in answer.content.decode()
    assert list(Installation.objects.order_by("pk").values()) == before


def test_a_reviewer_and_another_dealer_replace_nothing(world, spare):
    door = reverse("admin:fleet_sensor_replace", args=[world.sensors["A1"].pk])
    data = {"sensor": "S-NEW", "on": "2026-03-01"}
    assert signed_in(world.users["reviewer"]).post(door, data).status_code == 403
    assert signed_in(world.users["techB"]).post(door, data).status_code == 404
    assert not Installation.objects.filter(sensor=spare).exists()
