"""Who may do what, on every route that the router knows; absent and forbidden look alike.

The table is design section 5 written out again, by hand, beside `fleet.access.RIGHTS`.
"""

import re
from typing import Any

import pytest

from api.urls import RESOURCES, router
from tests.api.conftest import V1, refused

T, M, W, A = "tech", "manager", "reviewer", "admin"
EVERYBODY, DEALER, MANAGERS, ADMIN = {T, M, W, A}, {T, M, A}, {M, A}, {A}
NONE: set[str] = set()
# resource: who reads, who creates, who edits, who removes
RIGHTS = {
    "dealers": (EVERYBODY, ADMIN, ADMIN, NONE),
    "users": (MANAGERS, MANAGERS, MANAGERS, NONE),
    "memberships": (MANAGERS, MANAGERS, MANAGERS, MANAGERS),
    "customers": (EVERYBODY, MANAGERS, MANAGERS, NONE),
    "machine-models": (EVERYBODY, ADMIN, ADMIN, NONE),
    "machines": (EVERYBODY, DEALER, MANAGERS, NONE),
    "sensor-models": (EVERYBODY, ADMIN, ADMIN, NONE),
    "sensors": (EVERYBODY, DEALER, DEALER, NONE),
    "installations": (EVERYBODY, DEALER, DEALER, NONE),
    "references": (EVERYBODY, MANAGERS, MANAGERS, NONE),
    "policies": (EVERYBODY, MANAGERS, MANAGERS, NONE),
    "calibrations": (EVERYBODY, DEALER, NONE, NONE),
    "functional-tests": (EVERYBODY, DEALER, NONE, NONE),
    "flags": (EVERYBODY, NONE, NONE, NONE),
    "reminders": (DEALER, NONE, NONE, NONE),
    "visits": (DEALER, MANAGERS, MANAGERS, NONE),
    "scans": (EVERYBODY, ADMIN, NONE, NONE),
    "imports": (MANAGERS, MANAGERS, NONE, NONE),
    "events": (EVERYBODY, NONE, NONE, NONE),
    "webhooks": (MANAGERS, MANAGERS, MANAGERS, MANAGERS),
    "audit": (MANAGERS, NONE, NONE, NONE),
    "days-off": (DEALER, MANAGERS, MANAGERS, MANAGERS),
    "blackouts": (DEALER, MANAGERS, MANAGERS, MANAGERS),
    "calendar-feeds": (DEALER, DEALER, NONE, DEALER),
    "digests": (MANAGERS, NONE, NONE, NONE),
    "customer-notes": (MANAGERS, NONE, NONE, NONE),
    "tokens": (EVERYBODY, EVERYBODY, NONE, EVERYBODY),
}
# Further actions of one row: resource, address, method -> who
ACTIONS = {
    ("machines", "transfer", "post"): MANAGERS,
    ("machines", "cab-card", "get"): EVERYBODY,
    ("sensors", "history", "get"): EVERYBODY,
    ("sensors", "dossier", "get"): EVERYBODY,
    ("installations", "replace", "post"): DEALER,
    ("sensors", "due", "get"): DEALER,
    ("dealers", "readiness", "get"): DEALER,
    ("calendar-feeds", "renew", "post"): DEALER,
    ("references", "affected", "get"): EVERYBODY,
    ("flags", "acknowledge", "post"): DEALER,
    ("flags", "close", "post"): DEALER,
    ("flags", "assign", "post"): DEALER,
    ("flags", "part", "post"): DEALER,
    ("customers", "visit-sheet", "get"): DEALER,
    ("customers", "personal-data", "get"): MANAGERS,
    ("customers", "personal-data/erase", "post"): MANAGERS,
    ("dealers", "checkpoint", "get"): MANAGERS,
    ("calibrations", "load", "get"): EVERYBODY,
    ("calibrations", "certificate", "get"): EVERYBODY,
    ("imports", "commit", "post"): MANAGERS,
    ("webhooks", "rotate", "post"): MANAGERS,
    ("webhooks", "replay", "post"): MANAGERS,
    ("webhooks", "test", "post"): MANAGERS,
    ("imports", "cancel", "post"): MANAGERS,
    ("imports", "rows", "get"): MANAGERS,
    ("imports", "refused", "get"): MANAGERS,
}
CATALOGUE_ACTIONS = {("sensor-models", "reliability", "get"): EVERYBODY}
LIST_ACTIONS = {
    ("calibrations", "check", "post"): DEALER,
    ("calibrations", "batch", "post"): DEALER,
    ("visits", "plan", "post"): MANAGERS,
    ("flags", "merge", "post"): DEALER,
}
PEOPLE = {"techA": T, "managerA": M, "techB": T, "managerB": M, "reviewer": W, "admin": A}
SCOPED = [
    name for name in RIGHTS if name not in {"machine-models", "sensor-models", "scans", "tokens"}
]
SCOPED.sort(key="memberships".__eq__)  # last: with it, people go out of sight
ABSENT = {"id": 987654, "uuid": "00000000-0000-4000-8000-000000000000"}


def absent(key: Any) -> Any:
    return ABSENT["id" if isinstance(key, int) else "uuid"]


def test_the_tables_name_every_route():
    routes = set()
    for pattern in router.urls:
        shape = re.sub(r"\(\?P<pk>[^)]*\)", "*", str(pattern.pattern)).strip("^$/")
        if "format" in shape:
            continue
        routes.add(shape.replace("\\", ""))
    expected = set(RIGHTS) | {f"{resource}/*" for resource in RIGHTS}
    expected |= {f"{resource}/*/{action}" for resource, action, _ in ACTIONS | CATALOGUE_ACTIONS}
    expected |= {f"{resource}/{action}" for resource, action, _ in LIST_ACTIONS}
    assert routes == expected
    assert {views.resource for views in RESOURCES} == set(RIGHTS)


def test_nobody_gets_in(nobody, rows):
    for resource in RIGHTS:
        key = rows.get(resource, {"A": 1})["A"]
        paths = [(f"{resource}/", "get"), (f"{resource}/{key}/", "get")]
        paths += [(f"{resource}/{key}/", verb) for verb in ("put", "patch", "delete")]
        paths += [
            (f"{resource}/{key}/{name}/", verb) for of, name, verb in ACTIONS if of == resource
        ]
        if resource != "tokens":
            paths.append((f"{resource}/", "post"))
        for path, verb in paths:
            answer = getattr(nobody, verb)(V1 + path)
            refused(answer, 401)
            assert answer["WWW-Authenticate"] == "Bearer"


@pytest.mark.parametrize("person", PEOPLE)
def test_lists(person, client_of, rows):
    client, role = client_of(person), PEOPLE[person]
    for resource, (readers, *_) in RIGHTS.items():
        answer = client.get(f"{V1}{resource}/?page_size=500")
        if role not in readers:
            refused(answer, 403)
            for form in ("csv", "xlsx", "ndjson"):
                refused(client.get(f"{V1}{resource}/?format={form}"), 403)
            continue
        assert answer.status_code == 200
        shown = {str(row["id"]) for row in answer.json()["results"]}
        if resource in SCOPED:
            here = {letter for letter in "AB" if str(rows[resource][letter]) in shown}
            assert here == ({"A", "B"} if role in {W, A} else {person[-1]}), resource


@pytest.mark.parametrize("person", PEOPLE)
def test_creating(person, client_of, world):
    client, role = client_of(person), PEOPLE[person]
    for resource, (_, creators, *_) in RIGHTS.items():
        answer = client.post(f"{V1}{resource}/", {})
        if role in creators:  # 202: where there is Redis, a scan is queued
            assert answer.status_code in {201, 202, 422}, (resource, answer.content)
        else:
            refused(answer, 403 if creators else 405)


@pytest.mark.parametrize("person", PEOPLE)
def test_one_row(person, client_of, rows):
    client, role = client_of(person), PEOPLE[person]
    for resource, letter in ((resource, letter) for resource in SCOPED for letter in "AB"):
        readers, _, editors, removers = RIGHTS[resource]
        key = rows[resource][letter]
        sees = role in readers and (role in {W, A} or person[-1] == letter)
        answer = client.get(f"{V1}{resource}/{key}/")
        if sees:
            assert answer.status_code == 200
            assert str(answer.json()["id"]) == str(key)
        else:
            lost = refused(client.get(f"{V1}{resource}/{absent(key)}/"), 404)
            assert refused(answer, 404) == lost
        for method, who in (("patch", editors), ("put", editors), ("delete", removers)):
            answer = getattr(client, method)(f"{V1}{resource}/{key}/", {})
            if not who:
                refused(answer, 405)
            elif not sees:
                refused(answer, 404)
            elif role not in who:
                refused(answer, 403)
            else:
                assert answer.status_code in {200, 204, 422}, answer.content


@pytest.mark.parametrize("person", PEOPLE)
def test_further_actions_of_one_row(person, client_of, rows):
    client, role = client_of(person), PEOPLE[person]
    for (resource, name, method), who in ACTIONS.items():
        for letter, key in rows[resource].items():
            sees = role in RIGHTS[resource][0] and (role in {W, A} or person[-1] == letter)
            answer = getattr(client, method)(f"{V1}{resource}/{key}/{name}/")
            if not sees:
                lost = getattr(client, method)(f"{V1}{resource}/{absent(key)}/{name}/")
                assert refused(answer, 404) == refused(lost, 404)
            elif role not in who:
                refused(answer, 403)
            else:
                assert answer.status_code in {200, 202, 400, 409, 422}, (name, answer.content)


@pytest.mark.parametrize("person", PEOPLE)
def test_further_actions_of_lists(person, client_of, world):
    for (resource, name, method), who in LIST_ACTIONS.items():
        answer = getattr(client_of(person), method)(f"{V1}{resource}/{name}/", {})
        refused(answer, 422 if PEOPLE[person] in who else 403)


@pytest.mark.parametrize("person", [name for name, role in PEOPLE.items() if role != A])
@pytest.mark.parametrize("resource", ["machine-models", "sensor-models"])
def test_catalogues_are_read_by_all_and_written_by_administrators(
    resource, person, client_of, world
):
    row = world.machine_model if resource == "machine-models" else world.sensor_model
    client = client_of(person)
    assert client.get(f"{V1}{resource}/{row.pk}/").status_code == 200
    refused(client.patch(f"{V1}{resource}/{row.pk}/", {"name": "Mine"}), 403)


def test_the_site_s_policy_is_read_by_all_and_edited_by_administrators(manager, admin, world):
    made = admin.post(f"{V1}policies/", {"slope_tolerance_pct": 4})
    assert made.status_code == 201
    assert made.json()["dealer"] is None
    path = f"{V1}policies/{made.json()['id']}/"
    assert manager.get(path).status_code == 200
    refused(manager.patch(path, {"slope_tolerance_pct": 50}), 403)
    refused(manager.post(f"{V1}policies/", {"dealer": None}), 403)


def test_a_technician_here_who_manages_there_manages_only_there(client_of, world):
    from fleet.models import Membership, Role

    both = world.users["techA"]
    Membership.objects.create(user=both, dealer=world.dealers["B"], role=Role.SERVICE_MANAGER)
    client = client_of("techA")
    assert {row["dealer_code"] for row in client.get(f"{V1}memberships/").json()["results"]} == {
        "SOUTH"
    }
    there = client.post(f"{V1}customers/", {"dealer": "SOUTH", "name": "Neu"})
    assert there.status_code == 201
    refused(client.post(f"{V1}customers/", {"dealer": "NORTH", "name": "Neu"}), 403)
    assert client.post(f"{V1}customers/", {"name": "Neuer"}).json()["dealer_code"] == "SOUTH"


def test_a_reviewer_who_serves_a_dealer_writes_there_only(client_of, world):
    from fleet.models import Membership, Role

    Membership.objects.create(user=world.users["techA"], dealer=None, role=Role.WARRANTY_REVIEWER)
    client = client_of("techA")
    for name, status in (("A1", 200), ("B1", 403)):
        answer = client.patch(f"{V1}sensors/{world.sensors[name].pk}/", {"lot": "L9"})
        assert answer.status_code == status


def test_somebody_who_left_gets_no_further(client_of, world):
    client = client_of("techA")
    assert client.get(f"{V1}sensors/").status_code == 200
    world.users["techA"].is_active = False
    world.users["techA"].save()
    refused(client.get(f"{V1}sensors/"), 401)


def test_a_superuser_is_an_administrator(client_of, world):
    world.users["techA"].is_superuser = True
    world.users["techA"].save()
    found = client_of("techA").get(f"{V1}dealers/").json()["results"]
    assert {row["code"] for row in found} == {"NORTH", "SOUTH"}
