"""Tokens that may do less than their owner, second factors at the token door, and lock-out."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from axes.models import AccessAttempt
from django.core.cache import cache
from django_otp.plugins.otp_totp.models import TOTPDevice

from api.urls import RESOURCES
from fleet import second_factor
from fleet.access import RIGHTS, limited, may, scope_of
from fleet.models import AccessToken, Membership, Role, User
from tests.api.conftest import NOW, PROBLEM, V1, calibration, refused
from tests.authenticator import code
from tests.conftest import PASSWORD

PATH = f"{V1}tokens/"
GOOD = {"username": "techA", "password": PASSWORD}
VERBS = ("create", "edit", "remove", "decide")


@pytest.fixture
def locks(settings):
    settings.AXES_ENABLED = True


@pytest.fixture
def bearer(nobody):
    def bearer(**asked):
        answer = nobody.post(PATH, GOOD | asked)
        assert answer.status_code == 201, answer.content
        nobody.credentials(HTTP_AUTHORIZATION=f"Bearer {answer.json()['token']}")
        return nobody

    return bearer


# ── A token that only reads ───────────────────────────────────────────────────
def test_a_reading_token_reads_and_writes_nothing(bearer, rows):
    client = bearer(scope="read", username="managerA", name="display in the yard")
    (mine,) = (row for row in client.get(PATH).json()["results"] if row["name"])
    assert (mine["scope"], mine["dealer"]) == ("read", None)
    assert client.get(f"{V1}sensors/").json()["results"]
    refused(client.post(f"{V1}calibrations/", calibration()), 403)
    refused(client.post(f"{V1}flags/{rows['flags']['A']}/close/", {"reason": "x"}), 403)
    refused(client.patch(f"{V1}sensors/{rows['sensors']['A']}/", {"lot": "L2"}), 403)
    refused(client.delete(f"{PATH}{mine['id']}/"), 403)


@pytest.mark.parametrize("views", RESOURCES, ids=lambda views: views.resource)
def test_no_resource_is_written_with_a_reading_token(client_of, world, rows, views):
    """Every action of every resource, from the router; a new one cannot be forgotten."""
    client = client_of("admin")
    AccessToken.objects.filter(user=world.users["admin"]).update(scope="read")
    key = rows.get(views.resource, {}).get("A", 1)
    base = f"{V1}{views.resource}/"
    tried = [("post", base)] if hasattr(views, "create") and views.resource != "tokens" else []
    tried += [(verb, f"{base}{key}/") for verb, action in
              (("put", "update"), ("patch", "partial_update"), ("delete", "destroy"))
              if hasattr(views, action)]  # fmt: skip
    for action in views.get_extra_actions():
        place = f"{base}{key}/" if action.detail else base
        tried += [(verb, f"{place}{action.url_path}/") for verb in action.mapping if verb != "get"]
    for verb, address in tried:
        refused(getattr(client, verb)(address, {}), 403)


def test_a_reading_scope_has_no_other_verb(world):
    scope = limited(scope_of(world.users["admin"]), AccessToken(scope="read"))
    for resource in RIGHTS:
        assert may(scope, "read", resource)
        assert not [verb for verb in VERBS if may(scope, verb, resource)]


# ── A token for one dealer ────────────────────────────────────────────────────
def test_a_token_for_one_dealer_opens_that_dealer_only(bearer, world):
    Membership.objects.create(
        user=world.users["techA"], dealer=world.dealers["B"], role=Role.SERVICE_MANAGER
    )
    whole = bearer()
    assert {row["code"] for row in whole.get(f"{V1}dealers/").json()["results"]} == {
        "NORTH", "SOUTH",
    }  # fmt: skip
    part = bearer(dealer="north")
    assert [row["code"] for row in part.get(f"{V1}dealers/").json()["results"]] == ["NORTH"]
    refused(part.get(f"{V1}sensors/{world.sensors['B1'].pk}/"), 404)
    assert part.get(f"{V1}sensors/{world.sensors['A1'].pk}/").status_code == 200
    refused(part.get(f"{V1}memberships/"), 403)  # manages elsewhere only


def test_an_administrators_token_for_one_dealer_is_its_managers(bearer, world):
    client = bearer(username="admin", dealer="SOUTH")
    assert [row["code"] for row in client.get(f"{V1}dealers/").json()["results"]] == ["SOUTH"]
    refused(client.post(f"{V1}scans/", {}), 403)
    refused(client.patch(f"{V1}users/{world.users['admin'].pk}/", {"email": "a@b.example"}), 403)
    assert client.get(f"{V1}memberships/").status_code == 200


@pytest.mark.parametrize("username", ["techA", "reviewer"])
def test_a_token_is_limited_to_ones_own_dealers(nobody, world, username):
    for dealer in ("SOUTH", "NOWHERE"):
        answer = nobody.post(PATH, GOOD | {"username": username, "dealer": dealer})
        refused(answer, 422, "/dealer")
    assert not AccessToken.objects.exists()


def test_a_token_ends_with_its_owners_place_there(bearer, world):
    client = bearer(dealer="NORTH")
    Membership.objects.filter(user=world.users["techA"]).delete()
    refused(client.get(f"{V1}sensors/"), 403)


@pytest.mark.parametrize("change", [{"scope": "write"}, {"valid_days": 0}, {"valid_days": 31}])
def test_limits_that_there_are_not(nobody, world, change):
    refused(nobody.post(PATH, GOOD | change), 422, f"/{next(iter(change))}")


def test_a_token_may_end_earlier(nobody, world):
    answer = nobody.post(PATH, GOOD | {"valid_days": 2})
    left = datetime.fromisoformat(answer.json()["expires"]) - datetime.now(UTC)
    assert timedelta(days=1, hours=23) < left <= timedelta(days=2)


def test_a_new_password_ends_the_tokens_of_the_old_one(bearer, world):
    client = bearer()
    person = User.objects.get(username="techA")
    person.first_name = "Klara"
    person.save()
    assert client.get(f"{V1}sensors/").status_code == 200
    person.set_password("another-long-password")
    person.save()
    refused(client.get(f"{V1}sensors/"), 401)


# ── With a second factor ──────────────────────────────────────────────────────
@pytest.fixture
def enrolled(world):
    person = world.users["techA"]
    key = second_factor.offered(person).bin_key
    with time_machine.travel(NOW):  # long ago, so that no code of today's test was used
        _, codes = second_factor.enrol(person, code(key), now=NOW)
    return key, codes


def test_a_token_needs_the_code_of_who_has_one(nobody, enrolled):
    key, _ = enrolled
    document = refused(nobody.post(PATH, GOOD), 401)
    assert document["code"] == "code_needed"
    wrong = f"{(int(code(key)) + 1) % 10**6:06d}"
    assert refused(nobody.post(PATH, GOOD | {"otp": wrong}), 401)["code"] == "not_signed_in"
    with time_machine.travel(datetime.now(UTC) + timedelta(minutes=1), tick=False):
        shown = code(key)
        assert nobody.post(PATH, GOOD | {"otp": f"{shown[:3]} {shown[3:]}"}).status_code == 201
        refused(nobody.post(PATH, GOOD | {"otp": shown}), 401)  # once


def test_a_recovery_code_is_good_once(nobody, enrolled):
    _, codes = enrolled
    assert nobody.post(PATH, GOOD | {"otp": codes[3].upper()}).status_code == 201
    refused(nobody.post(PATH, GOOD | {"otp": codes[3]}), 401)


def test_the_code_says_nothing_without_the_password(nobody, enrolled):
    key, _ = enrolled
    wrong = nobody.post(PATH, GOOD | {"password": "wrong", "otp": code(key)})
    assert refused(wrong, 401) == refused(nobody.post(PATH, GOOD | {"password": "wrong"}), 401)


@pytest.mark.parametrize(
    ("policy", "obliged"),
    [("optional", set()), ("cross-dealer", {"reviewer", "admin"}),
     ("everybody", {"reviewer", "admin", "techA", "managerB"})],
)  # fmt: skip
def test_the_policy_says_who_gets_no_token_without(nobody, world, settings, policy, obliged):
    settings.SECOND_FACTOR = policy
    for username in ("reviewer", "admin", "techA", "managerB"):
        answer = nobody.post(PATH, {"username": username, "password": PASSWORD})
        if username in obliged:
            refused(answer, 403)
        else:
            assert answer.status_code == 201


def test_a_session_of_the_password_alone_opens_nothing_in_the_api(world, settings):
    from rest_framework.test import APIClient

    settings.SECOND_FACTOR = "cross-dealer"
    client = APIClient()
    client.force_login(world.users["admin"])
    refused(client.get(f"{V1}sensors/"), 401)
    settings.SECOND_FACTOR = "optional"
    assert client.get(f"{V1}sensors/").status_code == 200
    User.objects.filter(username="admin").update(second_factor_since=NOW)  # enrolled elsewhere
    refused(client.get(f"{V1}sensors/"), 401)


def test_the_secret_is_not_kept_where_it_could_be_used_again(enrolled):
    _, codes = enrolled
    kept = TOTPDevice.objects.get().user.staticdevice_set.get()
    stored = set(kept.token_set.values_list("token", flat=True))
    assert len(stored) == len(codes) == 10
    assert not stored & {text.replace("-", "") for text in codes}


# ── Who guesses ───────────────────────────────────────────────────────────────
def test_guessing_locks_that_name_at_that_address_only(nobody, world, locks, settings):
    for _ in range(settings.AXES_FAILURE_LIMIT):
        refused(nobody.post(PATH, GOOD | {"password": "guess"}), 401)
    answer = nobody.post(PATH, GOOD)
    assert refused(answer, 429)["code"] == "too_many_requests"
    assert 0 < int(answer["Retry-After"]) <= 15 * 60
    assert answer["Content-Type"] == PROBLEM
    # Another name from there, and that name from elsewhere, are let in.
    other = {"username": "managerA", "password": PASSWORD}
    assert nobody.post(PATH, other).status_code == 201
    assert nobody.post(PATH, GOOD, REMOTE_ADDR="192.0.2.7").status_code == 201
    with time_machine.travel(datetime.now(UTC) + timedelta(minutes=16)):
        assert nobody.post(PATH, GOOD).status_code == 201


def test_trying_while_locked_does_not_lock_for_longer(nobody, world, locks, settings):
    for _ in range(settings.AXES_FAILURE_LIMIT + 5):
        nobody.post(PATH, GOOD | {"password": "guess"})
    assert AccessAttempt.objects.get().failures_since_start == settings.AXES_FAILURE_LIMIT


def test_success_forgets_the_failures_before(nobody, world, locks, settings):
    for _ in range(3):
        for _ in range(settings.AXES_FAILURE_LIMIT - 1):
            nobody.post(PATH, GOOD | {"password": "typo"})
        assert nobody.post(PATH, GOOD).status_code == 201
        cache.clear()  # the minute is over
    assert not AccessAttempt.objects.exists()


def test_wrong_codes_count_like_wrong_passwords(nobody, enrolled, locks, settings):
    for _ in range(settings.AXES_FAILURE_LIMIT):
        refused(nobody.post(PATH, GOOD | {"otp": "aaaa-bbbb"}), 401)
    refused(nobody.post(PATH, GOOD | {"otp": "aaaa-bbbb"}), 429)


@pytest.mark.parametrize("wrong", [{"password": "guess"}, {"otp": "aaaa-bbbb"}])
def test_a_condition_undoes_no_count_of_failures(nobody, enrolled, locks, settings, wrong):
    """There is no row to compare, so nothing is one transaction with it."""
    for _ in range(settings.AXES_FAILURE_LIMIT):
        refused(nobody.post(PATH, GOOD | wrong, headers={"If-Match": "*"}), 401)
    refused(nobody.post(PATH, GOOD | wrong, headers={"If-Match": "*"}), 429)
    assert AccessAttempt.objects.get().failures_since_start == settings.AXES_FAILURE_LIMIT


def test_many_addresses_that_guess_do_not_shut_out_the_owner(nobody, world, locks):
    home = "198.51.100.4"
    assert nobody.post(PATH, GOOD, REMOTE_ADDR=home).status_code == 201
    for number in range(25):
        nobody.post(PATH, GOOD | {"password": "guess"}, REMOTE_ADDR=f"203.0.113.{number}")
    refused(nobody.post(PATH, GOOD, REMOTE_ADDR="203.0.113.99"), 429)
    assert nobody.post(PATH, GOOD, REMOTE_ADDR=home).status_code == 201


def test_without_an_address_it_is_locked_all_the_same(nobody, world, locks, settings):
    for _ in range(settings.AXES_FAILURE_LIMIT):
        refused(nobody.post(PATH, GOOD | {"password": "guess"}, REMOTE_ADDR=""), 401)
    refused(nobody.post(PATH, GOOD, REMOTE_ADDR=""), 429)


# ── Who asks too much ─────────────────────────────────────────────────────────
def test_a_person_may_ask_so_often_in_a_minute(tech, manager, nobody, settings):
    settings.API_REQUESTS_PER_MINUTE = 3
    with time_machine.travel(NOW, tick=False) as clock:
        for _ in range(3):
            assert tech.get(f"{V1}sensors/").status_code == 200
        answer = tech.get(f"{V1}sensors/")
        refused(answer, 429)
        assert answer["Retry-After"] == "60"
        assert manager.get(f"{V1}sensors/").status_code == 200
        clock.shift(61)
        assert tech.get(f"{V1}sensors/").status_code == 200
