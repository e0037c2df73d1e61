"""What was read is changed, or nothing is: RFC 9110, sections 8.8.3 (ETag) and 13 (conditions)."""

import pytest
from django.db import connection
from rest_framework.test import APIClient

from api.urls import RESOURCES
from fleet.models import Customer
from tests.api.conftest import V1, calibration, refused
from tests.side_by_side import at_once

EDITABLE = {
    "dealers": {"name": "Another name"},
    "users": {"email": "someone@example.org"},
    "memberships": {"role": "service_manager"},
    "customers": {"name": "Another farm"},
    "machines": {"name": "The old drill"},
    "sensors": {"lot": "L-9"},
    "installations": {"removed_on": "2026-04-09"},
    "references": {"name": "Another weight"},
    "policies": {"slope_tolerance_pct": 2.5},
    "visits": {"note": "ring first"},
}
ROWS = sorted({view.resource for view in RESOURCES} - {"scans"})  # of scans nothing is changed
STRONG = '"{}"'


def address(resource, rows):
    return f"{V1}{resource}/{rows[resource]['A']}/"


@pytest.mark.parametrize("resource", EDITABLE)
def test_a_change_rests_on_what_was_read(resource, admin, rows):
    where, change = address(resource, rows), EDITABLE[resource]
    read = admin.get(where)
    assert read["ETag"].startswith('"')
    assert read["ETag"].endswith('"')
    assert admin.get(where)["ETag"] == read["ETag"]
    changed = admin.patch(where, change, headers={"If-Match": read["ETag"]})
    assert changed.status_code == 200, changed.content
    now = admin.get(where)
    assert changed["ETag"] == now["ETag"] != read["ETag"]
    late = admin.patch(where, change, headers={"If-Match": read["ETag"]})
    problem = refused(late, 412, "/If-Match")
    assert problem["code"] == "stale"
    assert late["ETag"] == now["ETag"]
    assert admin.get(where).json() == now.json()


@pytest.mark.parametrize("resource", ROWS)
def test_a_row_that_can_be_changed_can_be_held(resource, admin, rows):
    """PostgreSQL locks none that is read in the order of a row which need not be there."""
    where = f"{V1}{resource}/"
    key = rows[resource]["A"] if resource in rows else admin.get(where).json()["results"][0]["id"]
    stale = {"If-Match": '"other"'}
    answers = {
        admin.patch(f"{where}{key}/", {}, headers=stale).status_code,
        admin.delete(f"{where}{key}/", headers=stale).status_code,
    }
    assert answers <= {405, 412}
    held = admin.delete(f"{where}{key}/", headers={"If-Match": "*"})
    assert held.status_code in {204, 405, 409}, held.content  # 409: others hang on it


@pytest.mark.parametrize("tag", ["*", '"other", {}', "W/{}"])
def test_any_of_several_tags_will_do_and_compression_weakens_none(manager, rows, tag):
    where = address("customers", rows)
    tag = tag.format(manager.get(where)["ETag"])
    assert manager.patch(where, {"name": "X"}, headers={"If-Match": tag}).status_code == 200


@pytest.mark.parametrize("tag", ["", '"other"', "nonsense", '"a", "b"'])
def test_another_tag_changes_nothing(manager, rows, tag):
    where = address("customers", rows)
    before = manager.get(where).json()
    refused(manager.patch(where, {"name": "X"}, headers={"If-Match": tag}), 412)
    assert manager.get(where).json() == before


def test_without_a_condition_the_last_one_wins(manager, rows):
    where = address("customers", rows)
    for name in ("X", "Y"):
        assert manager.patch(where, {"name": name}).status_code == 200
    assert manager.get(where).json()["name"] == "Y"


def test_a_condition_does_not_open_what_is_closed(tech, stranger, rows):
    where = address("customers", rows)
    tag = tech.get(where)["ETag"]
    refused(tech.patch(where, {"name": "X"}, headers={"If-Match": tag}), 403)
    refused(tech.patch(where, {"name": "X"}, headers={"If-Match": '"other"'}), 403)
    refused(stranger.patch(where, {"name": "X"}, headers={"If-Match": tag}), 404)


def test_actions_of_a_row_heed_the_condition(manager, rows):
    where = address("flags", rows)
    tag = manager.get(where)["ETag"]
    done = manager.post(f"{where}acknowledge/", headers={"If-Match": tag})
    assert done.status_code == 200
    again = manager.post(f"{where}close/", {"reason": "seen to"}, headers={"If-Match": tag})
    refused(again, 412)
    assert manager.get(where).json()["status"] == "acknowledged"


def test_bad_input_under_a_condition_stores_nothing(manager, rows):
    where = address("customers", rows)
    tag = manager.get(where)["ETag"]
    refused(manager.patch(where, {"name": ""}, headers={"If-Match": tag}), 422, "/name")
    assert manager.get(where)["ETag"] == tag


def test_what_the_client_has_is_not_sent_again(tech, rows):
    where = address("calibrations", rows)
    read = tech.get(where)
    same = tech.get(where, headers={"If-None-Match": read["ETag"]})
    assert (same.status_code, same.content, same["ETag"]) == (304, b"", read["ETag"])
    assert tech.get(where, headers={"If-None-Match": f"W/{read['ETag']}"}).status_code == 304
    assert tech.get(where, headers={"If-None-Match": '"other"'}).json() == read.json()


def test_a_verdict_that_changed_is_another_state(tech, rows):
    where = address("calibrations", rows)
    read = tech.get(where)
    older = calibration(performed_at="2024-09-10T09:00:00+02:00", reason="repair")
    assert tech.post(f"{V1}calibrations/", older).status_code == 201
    now = tech.get(where, headers={"If-None-Match": read["ETag"]})
    assert now.status_code == 200
    assert now.json() != read.json()


def test_sparse_answers_have_the_tag_of_the_whole(manager, rows):
    where = address("customers", rows)
    assert manager.get(f"{where}?fields=name")["ETag"] == manager.get(where)["ETag"]


@pytest.mark.django_db(transaction=True)
def test_of_two_who_read_the_same_one_changes_it(world):
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has one writer at a time, and the test database is in memory")
    _, token = world.users["managerA"].auth_token_set.create(name="two")
    where = f"{V1}customers/{world.customers['A1'].pk}/"

    def client():
        made = APIClient()
        made.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
        return made

    tag = client().get(where)["ETag"]

    def change(number):
        name = {"name": f"farm {number}"}
        return client().patch(where, name, headers={"If-Match": tag}).status_code

    assert sorted(at_once(8, change)) == [200] + [412] * 7
    assert Customer.objects.get(pk=world.customers["A1"].pk).name.startswith("farm ")
