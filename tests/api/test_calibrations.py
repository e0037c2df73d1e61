"""Recording calibrations: once, judged at once, in batches, checked, superseded, printed."""

import json
import uuid
from datetime import UTC, datetime

import numpy as np
import pytest

from calibration import verifying
from calibration.models import Calibration, DriftFlag
from tests.api.conftest import V1, calibration, refused, taken
from tests.conftest import NOW

PATH = f"{V1}calibrations/"


def test_the_answer_holds_the_line_and_the_verdict(tech, world):
    answer = tech.post(PATH, calibration())
    assert answer.status_code == 201
    body = answer.json()
    assert answer["Location"].endswith(f"/api/v1/calibrations/{body['id']}/")
    # numpy's own least squares gives the same line
    slope, offset = np.polyfit([0, 100], [20000, 30000], 1)
    assert body["fit"]["slope"] == pytest.approx(slope, rel=1e-12)
    assert body["fit"]["offset"] == pytest.approx(offset, rel=1e-12)
    assert body["fit"]["load_unit"] == "daN"
    assert body["verdict"] == "within"
    assert body["sensor"] == world.sensors["A1"].pk
    assert body["sensor_serial"] == "S-A1"
    assert body["machine_serial"] == "M-A1"
    assert body["points"] == calibration()["points"]
    assert body["conditions"] == calibration()["conditions"]
    assert body["next_due"]
    assert len(body["digest"]) == 64
    assert body.pop("rejudged") == []
    assert tech.get(f"{PATH}{body['id']}/").json() == body


def test_a_season_later_the_change_is_judged_and_flagged(tech, world):
    first = tech.post(PATH, calibration(performed_at="2025-03-10T09:00:00+01:00")).json()
    drifted = [{"load": 0, "reading": 20000}, {"load": 100, "reading": 32000}]
    second = tech.post(PATH, calibration(points=drifted)).json()
    against = second["against_previous"]
    assert against["calibration"] == first["id"]
    assert against["slope_change_pct"] == pytest.approx(20.0)  # 120 counts per daN after 100
    assert second["verdict"] == "beyond"
    assert {flag["kind"] for flag in second["flags"]} == {"slope"}
    assert second["causes"]
    listed = tech.get(f"{V1}flags/?sensor_serial=S-A1&status=open&level=beyond").json()["results"]
    assert [flag["calibration"] for flag in listed] == [second["id"]]


def test_the_same_record_twice_is_one_and_other_content_is_refused(tech, world):
    body = calibration(id=str(uuid.uuid4()))
    assert tech.post(PATH, body).status_code == 201
    again = tech.post(PATH, body)
    assert again.status_code == 200
    assert again.json()["id"] == body["id"]
    # the same moment in another offset is the same record
    same = body | {"performed_at": "2026-03-10T08:00:00Z"}
    assert tech.post(PATH, same).status_code == 200
    other = tech.post(PATH, body | {"note": "changed"})
    taken(other)
    problem = refused(other, 409, "/id")
    assert problem["code"] == "conflict"
    assert Calibration.objects.count() == 1


def test_an_id_of_another_dealer_s_record_gives_nothing_away(tech, world):
    theirs = world.season("B1", 2025).calibration
    answer = tech.post(PATH, calibration(id=str(theirs.pk)))
    text = json.dumps(refused(answer, 409))
    assert "S-B1" not in text
    assert "SOUTH" not in text


def test_records_are_sealed(tech, admin, world):
    made = tech.post(PATH, calibration()).json()
    for client in (tech, admin):
        for method in ("put", "patch", "delete"):
            refused(getattr(client, method)(f"{PATH}{made['id']}/", {"note": "x"}), 405)


def test_a_correction_supersedes_and_says_why(tech, world):
    wrong = tech.post(PATH, calibration()).json()
    right = calibration(
        points=[{"load": 0, "reading": 20000}, {"load": 100, "reading": 30100}],
        supersedes=wrong["id"], supersede_reason="a digit was misread",
    )  # fmt: skip
    refused(tech.post(PATH, right | {"supersede_reason": ""}), 422, "/supersede_reason")
    made = tech.post(PATH, right)
    assert made.status_code == 201
    assert made.json()["supersedes"] == wrong["id"]
    assert tech.get(f"{PATH}{wrong['id']}/").json()["superseded_by"] == made.json()["id"]
    standing = tech.get(f"{PATH}?superseded=false").json()["results"]
    assert [row["id"] for row in standing] == [made.json()["id"]]
    taken(tech.post(PATH, right | {"note": "once more"}))


def test_a_record_of_another_sensor_is_not_superseded(tech, world):
    other = world.season("A2", 2025).calibration
    answer = tech.post(PATH, calibration(supersedes=str(other.pk), supersede_reason="why not"))
    (error,) = refused(answer, 422, "/supersedes")["errors"]
    assert error["value"] == str(other.pk)


def test_without_an_offset_it_is_the_dealer_s_wall_clock(tech, world):
    winter = tech.post(PATH, calibration(performed_at="2026-03-10T09:00:00")).json()
    summer = tech.post(PATH, calibration(performed_at="2026-04-10T09:00")).json()
    assert winter["performed_at"] == "2026-03-10T08:00:00Z"  # Warsaw, one hour ahead of UTC
    assert summer["performed_at"] == "2026-04-10T07:00:00Z"  # two hours
    named = tech.post(PATH, calibration(performed_at="2025-10-26T02:30:00+01:00"))
    assert named.json()["performed_at"] == "2025-10-26T01:30:00Z"


def test_checking_stores_nothing_and_says_the_same(tech, world):
    tech.post(PATH, calibration(performed_at="2025-03-10T09:00:00+01:00"))
    checked = tech.post(f"{PATH}check/", calibration())
    assert checked.status_code == 200
    assert checked.json()["stored"] is False
    assert checked.json()["digest"] is None
    assert Calibration.objects.count() == 1
    recorded = tech.post(PATH, calibration()).json()
    for name in ("fit", "against_previous", "against_first", "trend", "verdict", "causes"):
        assert checked.json()[name] == recorded[name]
    refused(tech.post(f"{PATH}check/", calibration(points=[])), 422, "/points")


def test_what_was_answered_can_be_sent_again(tech, world):
    made = tech.post(PATH, calibration()).json()
    assert tech.post(PATH, made).status_code == 200


def test_a_serial_of_digits_is_read_as_a_serial_first(tech, manager, world):
    model = world.sensor_model.name
    serial = str(world.sensors["A2"].pk)  # the serial of one sensor is the id of another
    mine = manager.post(f"{V1}sensors/", {"serial": serial, "model": model}).json()
    by_text = tech.post(PATH, calibration(sensor=serial)).json()
    by_number = tech.post(PATH, calibration(sensor=world.sensors["A2"].pk)).json()
    assert by_text["sensor"] == mine["id"]
    assert by_number["sensor_serial"] == "S-A2"
    by_id_as_text = tech.post(PATH, calibration(sensor=str(world.sensors["A1b"].pk))).json()
    assert by_id_as_text["sensor_serial"] == "S-A1b"


def test_the_sensor_may_be_named_under_its_key(tech, world):
    body = calibration()
    del body["sensor"]
    assert tech.post(PATH, body | {"sensor_serial": "s-a1"}).status_code == 201
    refused(tech.post(PATH, body), 422, "/sensor")
    both = body | {"sensor": world.sensors["A1"].pk, "sensor_serial": "S-A2"}
    refused(tech.post(PATH, both), 422, "/sensor")


def batch_of(*changes):
    return [calibration(id=str(uuid.uuid4())) | change for change in changes]


def test_a_batch_gives_each_its_own_status(tech, world):
    taken = tech.post(PATH, calibration()).json()
    records = batch_of(
        {"performed_at": "2025-03-10T09:00:00+01:00"},
        {"sensor": "S-A2"},
        {"sensor": "S-B1"},
        {"points": []},
        {"id": taken["id"], "note": "changed"},
        {"id": taken["id"]},
        {"sensor": "S-A2", "performed_at": "tomorrow"},
    )
    records.append("not a record")
    records.append(calibration(note="\x00"))
    answer = tech.post(f"{PATH}batch/", {"records": records})
    assert answer.status_code == 207
    body = answer.json()
    statuses = [item["status"] for item in body["results"]]
    assert statuses == [201, 201, 422, 422, 409, 200, 422, 422, 422]
    assert [item["index"] for item in body["results"]] == list(range(9))
    assert body["results"][0]["id"] == records[0]["id"]
    assert body["results"][0]["calibration"]["verdict"] == "within"
    assert body["results"][3]["problem"]["errors"][0]["pointer"] == "/points"
    assert (body["stored"], body["already_there"], body["refused"]) == (2, 1, 6)
    assert Calibration.objects.count() == 3
    # The newest was there first: the older one that came later is what it is judged against.
    assert (
        tech.get(f"{PATH}{taken['id']}/").json()["against_previous"]["calibration"]
        == (records[0]["id"])
    )


def test_a_batch_twice_adds_nothing(tech, world):
    records = batch_of({}, {"sensor": "S-A2"})
    first = tech.post(f"{PATH}batch/", records)
    again = tech.post(f"{PATH}batch/", records[::-1])
    assert first.status_code == again.status_code == 200
    assert [item["status"] for item in first.json()["results"]] == [201, 201]
    assert [item["status"] for item in again.json()["results"]] == [200, 200]
    assert Calibration.objects.count() == 2
    assert not list(verifying.verify(now=NOW))


def test_a_batch_may_correct_a_record_of_its_own(tech, admin, world):
    wrong, right, again, other = batch_of({}, {"note": "corrected"}, {}, {"sensor": "S-A2"})
    why = {"supersede_reason": "a digit was misread"}
    right |= why | {"supersedes": wrong["id"].upper()}
    again |= why | {"supersedes": wrong["id"]}
    other |= why | {"supersedes": right["id"]}
    early = again | {"id": str(uuid.uuid4()), "supersedes": other["id"]}
    sent = [early, wrong, right, again, other]
    results = tech.post(f"{PATH}batch/", sent).json()["results"]
    assert [item["status"] for item in results] == [422, 201, 201, 409, 422]
    assert results[2]["calibration"]["supersedes"] == wrong["id"]
    assert results[1]["calibration"]["superseded_by"] == right["id"]
    assert results[1]["calibration"]["verdict"] is None
    assert results[4]["problem"]["errors"][0]["pointer"] == "/supersedes"
    repeated = tech.post(f"{PATH}batch/", [wrong, right]).json()["results"]
    assert [item["status"] for item in repeated] == [200, 200]
    assert Calibration.objects.count() == 2
    assert not list(verifying.verify(now=NOW))


def test_a_batch_supersedes_nothing_that_was_refused_or_is_another_s(tech, world):
    theirs = world.season("B1", 2025).calibration
    why = {"supersede_reason": "why not"}
    sent = batch_of(
        {"points": []}, {"id": str(theirs.pk)}, {"supersedes": str(theirs.pk)} | why,
        {"performed_at": "2031-01-01T10:00:00Z"},
    )  # fmt: skip
    for refused_one in (sent[0], sent[3]):
        sent += batch_of({"supersedes": refused_one["id"]} | why)
    results = tech.post(f"{PATH}batch/", sent).json()["results"]
    assert [item["status"] for item in results] == [422, 409, 422, 422, 422, 422]
    assert {item["problem"]["errors"][0]["pointer"] for item in results[4:]} == {"/supersedes"}
    assert results[2]["problem"]["errors"][0]["pointer"] == "/supersedes"
    assert not hasattr(theirs, "superseded_by")
    assert Calibration.objects.count() == 1


@pytest.mark.parametrize("body", [{}, {"records": 5}, 5, "x", None, {"records": {}}])
def test_what_is_no_batch(tech, body):
    answer = tech.post(f"{PATH}batch/", json.dumps(body), content_type="application/json")
    refused(answer, 422)


def test_a_batch_has_a_bound(tech, world):
    refused(tech.post(f"{PATH}batch/", [5] * 1001), 422)
    assert tech.post(f"{PATH}batch/", []).json()["results"] == []


def test_a_batch_for_a_dealer_where_one_only_reads(client_of, world):
    from fleet.models import Membership, Role

    Membership.objects.create(user=world.users["techA"], role=Role.WARRANTY_REVIEWER)
    records = batch_of({}, {"sensor": "S-B1"})
    results = client_of("techA").post(f"{PATH}batch/", records).json()["results"]
    assert [item["status"] for item in results] == [201, 403]


def test_a_certificate(tech, world):
    made = tech.post(PATH, calibration()).json()
    answer = tech.get(f"{PATH}{made['id']}/certificate/")
    assert answer["Content-Type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")
    asked = tech.get(f"{PATH}{made['id']}/certificate/?format=pdf")
    assert asked.content.startswith(b"%PDF-")
    refused(tech.get(f"{PATH}{made['id']}/certificate/?format=json"), 406)


def functional(**changes):
    steps = [
        {"commanded": 50, "displayed_mean": 51, "pressure": 40, "observed": "steady"},
        {"commanded": 100, "displayed_mean": 99, "pressure": 80, "observed": "steady"},
    ]
    return {"performed_at": "2026-03-11T10:00:00+01:00", "steps": steps} | changes


def test_a_functional_test_is_recorded_once_and_judged(tech, world):
    path, place = f"{V1}functional-tests/", world.installations["A1"].pk
    body = functional(installation=place, id=str(uuid.uuid4()), technician="K. Wrona")
    made = tech.post(path, body)
    assert made.status_code == 201
    assert made.json()["verdict"] == "pass"
    assert made.json()["load_unit"] == "daN"  # the dealer's, where none was said
    assert tech.post(path, body).status_code == 200
    assert tech.post(path, made.json()).status_code == 200
    taken(tech.post(path, body | {"note": "other"}))
    assert tech.get(f"{path}{made.json()['id']}/").json() == made.json()
    refused(tech.patch(f"{path}{made.json()['id']}/", {}), 405)


def test_a_functional_test_that_fails_is_flagged(tech, world):
    steps = [
        {"commanded": 50, "displayed_mean": 70, "pressure": 60, "observed": "bouncing"},
        {"commanded": 100, "displayed_mean": 140, "pressure": 50, "observed": "lifting"},
    ]
    made = tech.post(f"{V1}functional-tests/", functional(sensor="S-A1", steps=steps)).json()
    assert made["verdict"] == "fail"
    assert DriftFlag.objects.get().kind == "functional"


def test_a_superseded_functional_test_has_no_verdict(tech, world):
    path = f"{V1}functional-tests/"
    steps = [{"commanded": 50, "displayed_mean": 70}, {"commanded": 100, "displayed_mean": 140}]
    bad = tech.post(path, functional(sensor="S-A1", steps=steps)).json()
    assert [row["id"] for row in tech.get(f"{path}?verdict=fail").json()["results"]] == [bad["id"]]
    better = functional(sensor="S-A1", supersedes=bad["id"], supersede_reason="wrong row")
    good = tech.post(path, better).json()
    assert tech.get(f"{path}?verdict=fail").json()["results"] == []
    assert tech.get(f"{path}{bad['id']}/").json()["verdict"] is None
    assert [row["id"] for row in tech.get(f"{path}?verdict=pass").json()["results"]] == [
        good["id"]
    ]
    error = refused(tech.post(path, better | {"note": "again"}), 409, "/supersedes")["errors"][0]
    assert error["value"] == bad["id"]
    assert error["accepted"]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"installation": 987654}, "/installation"),
        ({"sensor": "S-B1"}, "/sensor"),
        ({"steps": []}, "/steps"),
        ({"steps": [{"commanded": 50, "displayed_mean": "x"}]}, "/steps/0/displayed_mean"),
        ({"steps": [{"commanded": 1, "displayed_mean": 1, "observed": "?"}]}, "/steps/0/observed"),
        ({"load_unit": "stone"}, "/load_unit"),
        ({"performed_at": "2031-01-01"}, "/performed_at"),
    ],
)
def test_functional_tests_that_cannot_be(tech, world, change, pointer):
    body = {"installation": world.installations["A1"].pk} | functional(**change)
    refused(tech.post(f"{V1}functional-tests/", body), 422, pointer)


def test_a_mean_outside_of_lowest_and_highest_cannot_be(tech, world):
    step = {"commanded": 50, "displayed_mean": 60, "displayed_min": 61.5, "displayed_max": 58}
    body = functional(sensor="S-A1", steps=[step, {"commanded": 100, "displayed_mean": 99}])
    errors = refused(tech.post(f"{V1}functional-tests/", body), 422)["errors"]
    accepted = "displayed_min <= displayed_mean <= displayed_max"
    assert [(e["pointer"], e["accepted"], e["value"]) for e in errors] == [
        ("/steps/0/displayed_min", accepted, "61.5"),
        ("/steps/0/displayed_max", accepted, "58.0"),
    ]


def test_a_functional_test_needs_a_place(tech, world):
    refused(tech.post(f"{V1}functional-tests/", functional()), 422, "/installation")
    here = world.installations["A1"].pk
    refused(
        tech.post(f"{V1}functional-tests/", functional(installation=here, sensor="S-A2")),
        422, "/sensor",
    )  # fmt: skip


def test_flags_are_acknowledged_and_closed_with_a_reason(tech, rows):
    path = f"{V1}flags/{rows['flags']['A']}/"
    seen = tech.post(f"{path}acknowledge/")
    assert seen.json()["status"] == "acknowledged"
    at = seen.json()["acknowledged_at"]
    assert tech.post(f"{path}acknowledge/").json()["acknowledged_at"] == at
    refused(tech.post(f"{path}close/", {}), 422, "/reason")
    refused(tech.post(f"{path}close/", {"reason": " "}), 422, "/reason")
    done = tech.post(f"{path}close/", {"reason": "cell replaced"})
    assert done.json()["status"] == "closed"
    assert done.json()["close_reason"] == "cell replaced"
    refused(tech.post(f"{path}acknowledge/"), 409)


def test_moments_are_answered_in_utc(tech, world):
    made = tech.post(PATH, calibration()).json()
    when = datetime.fromisoformat(made["performed_at"])
    assert when == datetime(2026, 3, 10, 8, tzinfo=UTC)
