"""Who sees to a flag, families with one cause, kept links: the rules and the API."""

import pytest
from django.contrib.admin.helpers import ACTION_CHECKBOX_NAME
from django.urls import reverse
from rest_framework.test import APIClient

from calibration import flags, triage
from calibration.models import DriftFlag, Event, FlagFamily, KeptLook
from calibration.records import PointDraft, judge_marked
from fleet.errors import Conflict, Forbidden, Invalid, NotFound
from tests.conftest import NOW, SYSTEM
from tests.desk import page, signed_in, without_files

LIST = "admin:calibration_driftflag_changelist"


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


def drift(world, which: str, span: float) -> DriftFlag:
    world.season(which, 2025)
    world.season(which, 2026, points=(PointDraft(0, 20000), PointDraft(100, 20000 + span)))
    return DriftFlag.objects.get(sensor=world.sensors[which], kind="slope")


@pytest.fixture
def three(world):
    return [drift(world, "A1", 12000), drift(world, "A2", 15000), drift(world, "A1b", 11000)]


def api_of(world, name: str) -> APIClient:
    client = APIClient()
    client.force_authenticate(world.users[name])
    return client


def fresh(rows):
    return [DriftFlag.objects.get(pk=row.pk) for row in rows]


# ── who sees to it ───────────────────────────────────────────────────────────
def test_a_technician_takes_a_flag_and_gives_it_back(world, three):
    scope, me = world.scopes["techA"], world.users["techA"]
    for _ in range(2):
        triage.assign(three[0], person=me, scope=scope, now=NOW)
    row = DriftFlag.objects.get(pk=three[0].pk)
    assert (row.assigned_to, row.assigned_at, row.assigned_for) == (me, NOW, world.dealers["A"])
    triage.assign(row, person=None, scope=scope, now=NOW)
    row.refresh_from_db()
    assert (row.assigned_to, row.assigned_at, row.assigned_for) == (None, None, None)


def test_only_a_manager_gives_to_others_and_only_to_who_works_there(world, three):
    tech, manager = world.scopes["techA"], world.scopes["managerA"]
    with pytest.raises(Forbidden):
        triage.assign(three[0], person=world.users["managerA"], scope=tech, now=NOW)
    triage.assign(three[0], person=world.users["managerA"], scope=manager, now=NOW)
    with pytest.raises(Forbidden):  # it is somebody's
        triage.assign(three[0], person=world.users["techA"], scope=tech, now=NOW)
    for name in ("techB", "reviewer"):
        with pytest.raises(Invalid):
            triage.assign(three[0], person=world.users[name], scope=manager, now=NOW)
    triage.assign(three[0], person=world.users["techA"], scope=manager, now=NOW)
    flags.close(three[0], user_id=None, reason="gone", now=NOW)
    with pytest.raises(Conflict):
        triage.assign(three[0], person=None, scope=manager, now=NOW)


# ── families ─────────────────────────────────────────────────────────────────
def test_one_decision_is_for_the_whole_family(world, three):
    scope = world.scopes["techA"]
    family = triage.merge(three[:2], cause="reference fell", scope=scope, now=NOW)
    again = triage.merge(three[:2], cause="reference fell", scope=scope, now=NOW)
    assert family == again
    assert FlagFamily.objects.count() == 1
    one, two, other = fresh(three)
    flags.acknowledge(one, user_id=scope.user_id, now=NOW)
    triage.assign(one, person=world.users["techA"], scope=scope, now=NOW)
    assert [row.status for row in fresh(three)] == ["acknowledged", "acknowledged", "open"]
    assert [row.assigned_to_id for row in fresh(three)] == [scope.user_id, scope.user_id, None]
    flags.close(two, user_id=scope.user_id, reason="new reference", now=NOW)
    one, two, other = fresh(three)
    assert [row.close_reason for row in (one, two, other)] == ["new reference"] * 2 + [""]


def test_a_third_joins_and_one_leaves(world, three):
    scope = world.scopes["techA"]
    first = triage.merge(three[:2], cause="reference fell", scope=scope, now=NOW)
    wider = triage.merge(three[1:], cause="the shed's reference fell", scope=scope, now=NOW)
    assert first.pk == wider.pk
    assert {row.family_id for row in fresh(three)} == {first.pk}
    triage.part(fresh(three)[2])
    flags.close(fresh(three)[0], user_id=scope.user_id, reason="seen to", now=NOW)
    assert [row.status for row in fresh(three)] == ["closed", "closed", "open"]


def test_what_cannot_be_a_family(world, three):
    scope = world.scopes["managerA"]
    foreign = drift(world, "B1", 12000)
    for chosen, cause in ((three[:1], "alone"), ([three[0]] * 3, "alone"), (three, "  x ")):
        with pytest.raises(Invalid):
            triage.merge(chosen, cause=cause, scope=scope, now=NOW)
    with pytest.raises(Invalid, match="several dealers"):
        triage.merge([three[0], foreign], cause="same", scope=SYSTEM, now=NOW)
    with pytest.raises(Forbidden):
        triage.merge(three, cause="same", scope=world.scopes["reviewer"], now=NOW)
    triage.merge(three[:2], cause="same", scope=scope, now=NOW)
    more = [*DriftFlag.objects.filter(sensor=world.sensors["A1b"]).exclude(pk=three[2].pk)]
    if more:
        triage.merge([three[2], more[0]], cause="other", scope=scope, now=NOW)
        with pytest.raises(Conflict, match="several families"):
            triage.merge(fresh(three), cause="all", scope=scope, now=NOW)
    flags.close(fresh(three)[2], user_id=None, reason="gone", now=NOW)
    with pytest.raises(Conflict, match="closed"):
        triage.merge(fresh(three), cause="all", scope=scope, now=NOW)
    assert FlagFamily.objects.count() == 1 + bool(more)


def test_a_scan_leaves_who_and_family_alone(world, three):
    scope = world.scopes["managerA"]
    triage.merge(three, cause="reference fell", scope=scope, now=NOW)
    triage.assign(fresh(three)[0], person=world.users["techA"], scope=scope, now=NOW)
    before = [(row.family_id, row.assigned_to_id, row.status) for row in fresh(three)]
    judge_marked([row.sensor_id for row in three], now=NOW)
    assert [(row.family_id, row.assigned_to_id, row.status) for row in fresh(three)] == before


def test_after_a_resale_the_new_dealer_decides_for_its_own_and_reads_no_names(world, three):
    from fleet import registry

    scope = world.scopes["managerA"]
    triage.merge(three, cause="Jan's mistake", scope=scope, now=NOW)
    triage.assign(fresh(three)[0], person=world.users["techA"], scope=scope, now=NOW)
    sold = world.machines["A1"]
    registry.transfer_machine(scope=SYSTEM, machine=sold, customer=world.customers["B1"])
    there = DriftFlag.objects.filter(sensor__dealer=world.dealers["B"])
    assert there.count() == 2
    answer = api_of(world, "techB").get("/api/v1/flags/").json()["results"]
    assert {(row["family"], row["family_cause"], row["assigned_to"]) for row in answer} == {
        (None, "", "")
    }
    text = signed_in(world.users["techB"]).get(reverse(LIST)).content.decode()
    assert "Jan" not in text
    assert "techA" not in text
    flags.close(there.first(), user_id=world.users["techB"].pk, reason="ours", now=NOW)
    kept = DriftFlag.objects.exclude(status="closed")
    assert [row.sensor.dealer for row in kept] == [world.dealers["A"]]


# ── over the API ─────────────────────────────────────────────────────────────
def test_the_api_assigns_merges_and_parts(world, three):
    client, keys = api_of(world, "managerA"), [row.pk for row in three]
    url = "/api/v1/flags/"
    merged = client.post(f"{url}merge/", {"flags": keys, "cause": "reference fell"}, "json")
    assert merged.status_code == 200, merged.json()
    assert {row["family_cause"] for row in merged.json()} == {"reference fell"}
    given = client.post(f"{url}{keys[0]}/assign/", {"person": "techA"}, "json")
    assert given.json()["assigned_to"] == "techA"
    rows = client.get(f"{url}?assigned_to=techA").json()["results"]
    assert {row["id"] for row in rows} == set(keys)
    family = rows[0]["family"]
    assert len(client.get(f"{url}?family={family}").json()["results"]) == 3
    assert client.post(f"{url}{keys[0]}/part/").json()["family"] is None
    assert len(client.get(f"{url}?family={family}").json()["results"]) == 2
    nobody = client.post(f"{url}{keys[0]}/assign/", {"person": None}, "json")
    assert nobody.json()["assigned_to"] == ""


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"flags": [1], "cause": "x y z"}, 422),
        ({"flags": "all", "cause": "x y z"}, 422),
        ({"flags": [10**9, 10**9 + 1], "cause": "x y z"}, 422),
        ({}, 422),
    ],
)
def test_the_api_refuses_what_cannot_be_merged(world, three, body, status):
    answer = api_of(world, "managerA").post("/api/v1/flags/merge/", body, "json")
    assert answer.status_code == status, answer.json()
    assert FlagFamily.objects.count() == 0


def test_another_dealers_flags_are_absent_and_a_reviewer_may_not(world, three):
    keys = [row.pk for row in three]
    body = {"flags": keys, "cause": "reference fell"}
    assert api_of(world, "techB").post("/api/v1/flags/merge/", body, "json").status_code == 422
    assert api_of(world, "reviewer").post("/api/v1/flags/merge/", body, "json").status_code == 403
    for name, status in (("techB", 404), ("reviewer", 403)):
        for verb in ("assign", "part"):
            url = f"/api/v1/flags/{keys[0]}/{verb}/"
            assert api_of(world, name).post(url, {"person": None}, "json").status_code == status
    assert FlagFamily.objects.count() == 0


# ── on the desk ──────────────────────────────────────────────────────────────
def test_the_desk_merges_assigns_and_says_so_first(world, three):
    client = signed_in(world.users["managerA"])
    chosen = {ACTION_CHECKBOX_NAME: [row.pk for row in three]}
    asked = client.post(reverse(LIST), chosen | {"action": "merge_chosen"}).content.decode()
    assert "3 flags will be joined into one matter" in asked
    assert FlagFamily.objects.count() == 0
    done = client.post(
        reverse(LIST),
        chosen | {"action": "merge_chosen", "sure": "1", "cause": "reference fell"},
    )
    assert done.status_code == 302
    one = {ACTION_CHECKBOX_NAME: [three[0].pk], "action": "assign_chosen"}
    asked = client.post(reverse(LIST), one).content.decode()
    assert "1 flag will be given to a person, and 2 more of the same families with it" in asked
    tech = world.users["techA"]
    assert client.post(reverse(LIST), one | {"sure": "1", "person": tech.pk}).status_code == 302
    assert {row.assigned_to for row in fresh(three)} == {tech}
    text = client.get(page(three[0], "change", three[0].pk)).content.decode()
    assert "One matter with 2 others" in text
    assert "reference fell" in text
    mine = signed_in(tech).get(reverse(LIST) + "?whose=mine").context["cl"].result_list
    assert len(mine) == 3
    nobody = signed_in(tech).get(reverse(LIST) + "?whose=nobody").context["cl"].result_list
    assert three[0] not in nobody


def test_the_desk_says_how_many_flags_were_decided_and_which(world, three):
    client = signed_in(world.users["managerA"])
    triage.merge(three[:2], cause="reference fell", scope=world.scopes["managerA"], now=NOW)
    door = reverse("admin:calibration_driftflag_close", args=[three[0].pk])
    for said in ("2 flags are closed: S-A1 slope, S-A2 slope.", "Nothing changed"):
        told = client.post(door, {"reason": "new reference"}, follow=True)
        assert said in str(*told.context["messages"])
    chosen = {ACTION_CHECKBOX_NAME: [three[2].pk], "action": "close_chosen", "sure": "1"}
    told = client.post(reverse(LIST), chosen | {"reason": "new reference"}, follow=True)
    assert str(*told.context["messages"]) == "1 flag is closed: S-A1b slope."


def test_a_family_chosen_whole_is_decided_and_told_once(world, three):
    """Its second flag came along with the first: one event for each flag, not two."""
    triage.merge(three[:2], cause="reference fell", scope=world.scopes["managerA"], now=NOW)
    before = Event.objects.count()
    chosen = {ACTION_CHECKBOX_NAME: [row.pk for row in three], "action": "close_chosen"}
    told = signed_in(world.users["managerA"]).post(
        reverse(LIST), chosen | {"reason": "new reference", "sure": "1"}, follow=True
    )
    assert "3 flags are closed:" in str(*told.context["messages"])
    assert Event.objects.count() == before + 3


def test_a_technician_is_offered_only_themselves(world, three):
    client = signed_in(world.users["techA"])
    text = client.get(page(three[0], "change", three[0].pk)).content.decode()
    assert "techA" in text
    assert "managerA" not in text
    door = reverse("admin:calibration_driftflag_assign", args=[three[0].pk])
    assert client.post(door, {"person": world.users["managerA"].pk}).status_code == 200
    assert fresh(three)[0].assigned_to is None
    assert client.post(door, {"person": world.users["techA"].pk}).status_code == 302


# ── kept links ───────────────────────────────────────────────────────────────
def test_links_are_kept_by_name_and_by_person(world, three):
    client = signed_in(world.users["techA"])
    keep = reverse("admin:calibration_driftflag_keep")
    for query in ("level__exact=watch", "level__exact=beyond"):
        assert client.post(keep, {"name": "worst", "query": query}).status_code == 302
    client.post(keep, {"name": "", "query": "x=1"})
    assert list(KeptLook.objects.values_list("name", "query")) == [
        ("worst", "level__exact=beyond")
    ]
    assert 'href="?level__exact=beyond"' in client.get(reverse(LIST)).content.decode()
    other = signed_in(world.users["managerA"])
    assert "worst" not in other.get(reverse(LIST)).content.decode().split("looks", 1)[1]
    drop = reverse("admin:calibration_driftflag_drop", args=[KeptLook.objects.get().pk])
    other.post(drop)
    assert KeptLook.objects.count() == 1
    client.post(drop)
    assert KeptLook.objects.count() == 0
    with pytest.raises(NotFound):
        triage.drop_look(user_id=world.users["techA"].pk, key=1)
