"""Tokens: given for a password, shown once, kept hashed, revoked; guessing is slowed down."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from fleet.models import AccessToken
from tests.api.conftest import V1, refused
from tests.conftest import PASSWORD

PATH = f"{V1}tokens/"
GOOD = {"username": "techA", "password": PASSWORD, "name": "tablet 3"}


def test_a_token_opens_the_door(nobody, world):
    answer = nobody.post(PATH, GOOD)
    assert answer.status_code == 201
    assert set(answer.json()) == {"token", "expires"}
    token = answer.json()["token"]
    nobody.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    assert nobody.get(f"{V1}sensors/").status_code == 200
    (row,) = nobody.get(PATH).json()["results"]
    assert row["name"] == "tablet 3"
    assert token not in str(row)
    kept = AccessToken.objects.get()
    assert token not in {kept.digest, kept.token_key}
    days = datetime.fromisoformat(answer.json()["expires"]) - datetime.now(UTC)
    assert timedelta(days=29) < days <= timedelta(days=30)


def test_a_token_is_revoked(nobody, tech, world):
    token = nobody.post(PATH, GOOD).json()["token"]
    mine = {row["name"]: row["id"] for row in tech.get(PATH).json()["results"]}
    assert tech.get(f"{PATH}{mine['tablet 3']}/").json()["name"] == "tablet 3"
    assert tech.delete(f"{PATH}{mine['tablet 3']}/").status_code == 204
    refused(tech.delete(f"{PATH}{mine['tablet 3']}/"), 404)
    nobody.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    refused(nobody.get(f"{V1}sensors/"), 401)
    assert tech.get(f"{V1}sensors/").status_code == 200


def test_a_token_expires(nobody, world):
    token = nobody.post(PATH, GOOD).json()["token"]
    nobody.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    with time_machine.travel(datetime.now(UTC) + timedelta(days=31)):
        refused(nobody.get(f"{V1}sensors/"), 401)


def test_another_s_tokens_are_nobody_else_s_business(tech, admin, world):
    (mine,) = tech.get(PATH).json()["results"]
    for method in ("get", "delete"):
        refused(getattr(admin, method)(f"{PATH}{mine['id']}/"), 404)
        refused(getattr(admin, method)(f"{PATH}{mine['id'][:4]}/"), 404)
    assert tech.get(f"{V1}sensors/").status_code == 200


def test_a_wrong_password_and_an_unknown_user_look_alike(nobody, world):
    wrong = nobody.post(PATH, GOOD | {"password": "not it"})
    unknown = nobody.post(PATH, GOOD | {"username": "nobody-of-this-name"})
    assert refused(wrong, 401) == refused(unknown, 401)
    assert wrong["WWW-Authenticate"] == unknown["WWW-Authenticate"] == "Bearer"
    world.users["techA"].is_active = False
    world.users["techA"].save()
    assert refused(nobody.post(PATH, GOOD), 401) == refused(wrong, 401)


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"username": None}, "/username"),
        ({"password": 5}, "/password"),
        ({"password": "\x00"}, "/password"),
        ({"name": "x" * 81}, "/name"),
        ({"admin": True}, "/admin"),
    ],
)
def test_what_is_no_request_for_a_token(nobody, world, change, pointer):
    refused(nobody.post(PATH, GOOD | change), 422, pointer)


def test_a_stale_token_does_not_stand_in_the_way(nobody, world):
    nobody.credentials(HTTP_AUTHORIZATION="Bearer stale")
    assert nobody.post(PATH, GOOD).status_code == 201


def test_guessing_is_slowed_down_and_signing_in_is_not(nobody, world):
    for _ in range(25):
        assert nobody.post(PATH, GOOD).status_code == 201
    for _ in range(20):
        refused(nobody.post(PATH, GOOD | {"password": "guess"}), 401)
    answer = nobody.post(PATH, GOOD | {"password": "guess"})
    refused(answer, 429)
    assert 0 < int(answer["Retry-After"]) <= 60
    other = {"username": "managerA", "password": PASSWORD}
    refused(nobody.post(PATH, other), 429)  # the address guessed
    assert nobody.post(PATH, other, REMOTE_ADDR="192.0.2.7").status_code == 201
    refused(nobody.post(PATH, GOOD, REMOTE_ADDR="192.0.2.7"), 429)  # the name was guessed at
    with time_machine.travel(datetime.now(UTC) + timedelta(seconds=61)):
        assert nobody.post(PATH, GOOD).status_code == 201


def test_a_session_needs_its_csrf_token(world):
    from rest_framework.test import APIClient

    client = APIClient(enforce_csrf_checks=True)
    client.login(username="techA", password=PASSWORD)
    assert client.get(f"{V1}sensors/").status_code == 200
    refused(client.post(f"{V1}sensors/", {}), 403)
