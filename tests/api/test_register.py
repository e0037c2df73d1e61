"""The register through the API: entered, edited, installed, resold; names instead of ids."""

import pytest

from calibration.models import StaleSensor
from fleet.models import Customer, Dealer, Sensor
from tests.api.conftest import V1, refused, taken


def made(answer):
    assert answer.status_code == 201, answer.content
    assert answer["Location"].endswith(f"/{answer.json()['id']}/")
    return answer.json()


def edited(answer):
    assert answer.status_code == 200, answer.content
    return answer.json()


def test_a_dealer(admin, world):
    body = {"code": "EAST", "name": "Ost", "timezone": "Europe/Kyiv", "season_start": "04-01"}
    dealer = made(admin.post(f"{V1}dealers/", body))
    path = f"{V1}dealers/{dealer['id']}/"
    assert edited(admin.patch(path, {"season_start": "03-25"}))["season_start"] == "03-25"
    assert edited(admin.put(path, dealer))["season_start"] == "04-01"
    refused(admin.patch(path, {"code": "WEST"}), 422, "/code")
    refused(admin.patch(path, {"timezone": "Mars/Olympus"}), 422, "/timezone")
    refused(admin.patch(path, {"season_start": "02-30"}), 422, "/season_start")
    refused(admin.patch(path, {"load_unit": "stone"}), 422, "/load_unit")
    refused(admin.post(f"{V1}dealers/", body | {"code": "A B"}), 422, "/code")
    refused(admin.post(f"{V1}dealers/", body), 409, "/code")


def test_another_calendar_makes_verdicts_stale(admin, world):
    edited(admin.patch(f"{V1}dealers/{world.dealers['A'].pk}/", {"name": "Neu"}))
    assert not StaleSensor.objects.exists()
    edited(admin.patch(f"{V1}dealers/{world.dealers['A'].pk}/", {"season_start": "09-01"}))
    assert StaleSensor.objects.count() == 4


def test_a_customer(manager, world):
    customer = made(manager.post(f"{V1}customers/", {"name": "Hof Neu", "email": "h@n.example"}))
    assert customer["dealer_code"] == "NORTH"
    path = f"{V1}customers/{customer['id']}/"
    assert edited(manager.patch(path, {"phone": "12"}))["phone"] == "12"
    assert edited(manager.put(path, customer | {"phone": ""}))["phone"] == ""
    refused(manager.patch(path, {"dealer": "SOUTH"}), 422, "/dealer")
    refused(manager.patch(path, {"email": "no mail"}), 422, "/email")
    refused(manager.patch(path, {"name": ""}), 422, "/name")
    refused(manager.post(f"{V1}customers/", {"name": "X", "dealer": "SOUTH"}), 422, "/dealer")


def test_an_administrator_says_for_which_dealer(admin, world):
    refused(admin.post(f"{V1}customers/", {"name": "Hof Neu"}), 422, "/dealer")
    by_code = made(admin.post(f"{V1}customers/", {"name": "Hof", "dealer_code": "south"}))
    assert by_code["dealer"] == world.dealers["B"].pk
    by_id = made(admin.post(f"{V1}customers/", {"name": "Hof", "dealer": world.dealers["A"].pk}))
    assert by_id["dealer_code"] == "NORTH"
    # Two dealers have a customer of this name now: the name alone does not say which.
    machine = {"customer": "Hof", "model": "Ackerfurche 8", "serial": "M-9"}
    problem = refused(admin.post(f"{V1}machines/", machine), 422, "/customer")
    assert "id" in problem["errors"][0]["reason"]
    assert made(admin.post(f"{V1}machines/", machine | {"customer": by_id["id"]}))


def test_a_machine(tech, manager, world):
    body = {"customer": "Farm A1", "model_name": "ackerfurche 8", "serial": "M-77", "name": "Old"}
    machine = made(tech.post(f"{V1}machines/", body))
    assert machine["customer"] == world.customers["A1"].pk
    assert machine["model_name"] == "Ackerfurche 8"
    path = f"{V1}machines/{machine['id']}/"
    refused(tech.patch(path, {"name": "New"}), 403)
    assert edited(manager.patch(path, {"name": "New"}))["name"] == "New"
    whole = manager.get(path).json()
    assert whole["positions"] == []
    assert edited(manager.put(path, whole))["serial"] == "M-77"
    refused(manager.patch(path, {"customer": "Farm A2"}), 422, "/customer")
    refused(manager.patch(path, {"customer": "Farm B1"}), 422, "/customer")
    refused(tech.post(f"{V1}machines/", body | {"customer": "Farm B1"}), 422, "/customer")
    refused(tech.post(f"{V1}machines/", body | {"model_name": "None"}), 422, "/model")
    taken(tech.post(f"{V1}machines/", body))


def test_a_machine_shows_its_positions_with_the_last_numbers(tech, world):
    world.season("A1", 2024)
    last = world.season("A1", 2025).calibration
    body = tech.get(f"{V1}machines/{world.machines['A1'].pk}/").json()
    first, second = body["positions"]
    assert (first["position"], first["sensor_serial"]) == ("row 1", "S-A1")
    assert first["calibration"]["id"] == str(last.pk)
    assert first["calibration"]["fit"]["slope"] == pytest.approx(100)
    assert first["next_due"]
    assert (second["position"], second["calibration"]) == ("row 8", None)


def test_the_catalogues(admin, world):
    model = made(admin.post(f"{V1}machine-models/", {"name": "Drill 6", "kind": "air_drill"}))
    path = f"{V1}machine-models/{model['id']}/"
    assert edited(admin.patch(path, {"rows": 6}))["rows"] == 6
    refused(admin.patch(path, {"kind": "tractor"}), 422, "/kind")
    refused(admin.patch(path, {"rows": 0}), 422, "/rows")
    refused(admin.patch(path, {"rows": 1.5}), 422, "/rows")
    cell = {"name": "LC-9", "rated_load": 500, "load_unit": "kgf", "reading_unit": "mV/V"}
    sensor = made(admin.post(f"{V1}sensor-models/", cell))
    path = f"{V1}sensor-models/{sensor['id']}/"
    assert edited(admin.patch(path, {"nominal_slope": -0.002}))["nominal_slope"] == -0.002
    assert edited(admin.put(path, sensor))["rated_load"] == 500
    refused(admin.patch(path, {"rated_load": 0}), 422, "/rated_load")
    refused(admin.patch(path, {"reading_min": 5, "reading_max": 5}), 422)
    refused(admin.post(f"{V1}sensor-models/", {"name": "LC-10"}), 422, "/rated_load")


def test_a_sensor_and_its_tag(tech, world):
    tag = {"zero_reading": 20010, "span_reading": 30020, "span_load": 100, "load_unit": "daN"}
    body = {"serial": "4063", "model": "LC-500", "lot": "L7", "tag": tag}
    sensor = made(tech.post(f"{V1}sensors/", body))
    assert sensor["tag"] == tag
    assert sensor["model"] == world.sensor_model.pk
    assert sensor["dealer_code"] == "NORTH"
    path = f"{V1}sensors/{sensor['id']}/"
    assert edited(tech.patch(path, {"tag": None}))["tag"] is None
    assert edited(tech.put(path, sensor))["tag"] == tag
    refused(tech.patch(path, {"tag": {"zero_reading": 1}}), 422, "/tag/span_load")
    refused(tech.patch(path, {"tag": tag | {"span_load": 0}}), 422, "/tag/span_load")
    refused(tech.patch(path, {"tag": tag | {"load_unit": "x"}}), 422, "/tag/load_unit")
    refused(tech.patch(path, {"tag": 5}), 422, "/tag")
    refused(tech.patch(path, {"dealer": "SOUTH"}), 422, "/dealer")
    taken(tech.post(f"{V1}sensors/", body))


def test_a_serial_with_records_is_fixed(tech, world):
    path = f"{V1}sensors/{world.sensors['A1'].pk}/"
    assert edited(tech.patch(path, {"serial": "S-A1-x"}))["serial"] == "S-A1-x"
    edited(tech.patch(path, {"serial": "S-A1"}))
    world.sensors["A1"].refresh_from_db()
    world.season("A1", 2025)
    refused(tech.patch(path, {"serial": "S-A1-x"}), 409, "/serial")
    assert edited(tech.patch(path, {"lot": "L9"}))["lot"] == "L9"


def test_installing_moving_and_replacing(tech, world):
    spare = made(tech.post(f"{V1}sensors/", {"serial": "SPARE", "model": "LC-500"}))
    path = f"{V1}installations/"
    body = {"sensor": "SPARE", "machine": "M-A1", "position": "row 4",
            "installed_on": "2026-02-01"}  # fmt: skip
    place = made(tech.post(path, body))
    assert (place["sensor_serial"], place["machine_serial"]) == ("SPARE", "M-A1")
    taken(tech.post(path, body | {"position": "row 5"}))
    add = {"serial": "SPARE 2", "model": "LC-500"}
    made(tech.post(f"{V1}sensors/", add))
    there = tech.post(path, body | {"sensor": "SPARE 2"})
    taken(there)
    assert refused(there, 409, "/position")["errors"] == [
        {"pointer": "/position", "accepted": "another position", "value": "row 4",
         "reason": "Another sensor sits at this position; remove it first"}
    ]  # fmt: skip
    taken(tech.post(path, body | {"sensor": "S-A2"}))
    refused(tech.post(path, body | {"machine": "M-B1"}), 422, "/machine")
    refused(tech.post(path, body | {"installed_on": "1.2.2026"}), 422, "/installed_on")
    refused(tech.post(path, body | {"installed_on": "0001-01-01"}), 422, "/installed_on")
    one = f"{path}{place['id']}/"
    refused(tech.patch(one, {"removed_on": "2026-01-01"}), 422)
    refused(tech.patch(one, {"sensor": "S-A1"}), 422, "/sensor")
    assert edited(tech.patch(one, {"removed_on": "2026-02-10"}))["removed_on"] == "2026-02-10"
    old = f"{path}{world.installations['A1'].pk}/replace/"
    answer = tech.post(old, {"sensor": "SPARE", "on": "2026-03-01"})
    assert answer.status_code == 201
    assert answer.json()["position"] == "row 1"
    assert answer.json()["sensor"] == spare["id"]
    world.installations["A1"].refresh_from_db()
    assert str(world.installations["A1"].removed_on) == "2026-03-01"


def test_a_past_installation_may_be_entered(tech, world):
    made(tech.post(f"{V1}sensors/", {"serial": "PAST", "model": "LC-500"}))
    body = {"sensor": "PAST", "machine": "M-A2", "position": "row 3",
            "installed_on": "2018-01-01", "removed_on": "2019-01-01"}  # fmt: skip
    made(tech.post(f"{V1}installations/", body))
    taken(tech.post(f"{V1}installations/", body | {"installed_on": "2018-06-01"}))


def test_a_reference_and_what_it_touched(manager, tech, world):
    ref = made(manager.post(f"{V1}references/", {"name": "cell 7", "kind": "transfer_cell"}))
    path = f"{V1}references/{ref['id']}/"
    world.season("A1", 2025, reference=world.references["A"])
    scale = f"{V1}references/{world.references['A'].pk}/"
    assert not StaleSensor.objects.exists()
    edited(manager.patch(scale, {"relative_uncertainty_pct": 2}))
    assert StaleSensor.objects.get().sensor_id == world.sensors["A1"].pk
    affected = tech.get(f"{scale}affected/").json()
    assert [row["sensor_serial"] for row in affected["calibrations"]] == ["S-A1"]
    assert tech.get(f"{path}affected/").json()["calibrations"] == []
    refused(manager.patch(path, {"relative_uncertainty_pct": 101}), 422)
    refused(manager.patch(path, {"valid_until": "soon"}), 422, "/valid_until")
    refused(tech.patch(path, {"name": "x"}), 403)


def test_a_policy(manager, world):
    policy = made(manager.post(f"{V1}policies/", {"sensor_model": "LC-500",
                  "slope_tolerance_pct": 2, "setpoints": [50, 100]}))  # fmt: skip
    assert (policy["dealer_code"], policy["sensor_model_name"]) == ("NORTH", "LC-500")
    assert StaleSensor.objects.count() == 4
    path = f"{V1}policies/{policy['id']}/"
    assert edited(manager.patch(path, {"setpoints": []}))["setpoints"] == []
    assert edited(manager.put(path, policy))["setpoints"] == [50, 100]
    refused(manager.patch(path, {"setpoints": [50, -1]}), 422, "/setpoints/1")
    refused(manager.patch(path, {"setpoints": [1] * 11}), 422, "/setpoints")
    refused(manager.patch(path, {"setpoints": {"a": 1}}), 422, "/setpoints")
    refused(manager.patch(path, {"flag_probability": 2}), 422, "/flag_probability")
    refused(manager.patch(path, {"watch_probability": 0.95}), 422)
    refused(manager.patch(path, {"slope_tolerance_pct": 0}), 422)
    refused(manager.patch(path, {"sensor_model": None}), 422, "/sensor_model")
    taken(manager.post(f"{V1}policies/", {"sensor_model": "LC-500"}))


def test_the_site_has_one_policy(admin, world):
    made(admin.post(f"{V1}policies/", {}))
    (error,) = refused(admin.post(f"{V1}policies/", {}), 409)["errors"]
    assert error["pointer"] == ""
    assert "policy_once_for_the_site" in error["reason"]


def test_reselling_within_a_dealer(manager, world):
    path = f"{V1}machines/{world.machines['A1'].pk}/transfer/"
    assert edited(manager.post(path, {"customer": "Farm A2"}))["customer_name"] == "Farm A2"
    refused(manager.post(path, {"customer": "Farm B1"}), 422, "/customer")
    refused(manager.post(path, {}), 422, "/customer")


def test_after_a_resale_technical_history_goes_along_and_the_former_owner_does_not(
    admin, tech, stranger, client_of, world
):
    world.season("A1", 2025, technician="K. Wrona", note="call Mrs. Former at 555")
    machine = world.machines["A1"]
    buyer = {"customer": world.customers["B1"].pk}
    edited(admin.post(f"{V1}machines/{machine.pk}/transfer/", buyer))
    refused(tech.get(f"{V1}machines/{machine.pk}/"), 404)
    refused(tech.get(f"{V1}sensors/{world.sensors['A1'].pk}/history/"), 404)
    for client in (stranger, client_of("techB")):
        history = client.get(f"{V1}sensors/{world.sensors['A1'].pk}/history/")
        assert history.json()["calibrations"][0]["fit"]["slope"] == pytest.approx(100)
        listed = client.get(f"{V1}calibrations/?sensor_serial=S-A1")
        one = client.get(f"{V1}calibrations/{listed.json()['results'][0]['id']}/")
        whole = client.get(f"{V1}machines/{machine.pk}/")
        exports = [
            b"".join(client.get(f"{V1}{name}/?format={form}").streaming_content)
            for name in ("calibrations", "installations", "sensors", "machines", "customers")
            for form in ("csv", "ndjson")
        ]
        text = b" ".join(
            [history.content, listed.content, one.content, whole.content, *exports]
        ).decode()
        for secret in ("Farm A1", "K. Wrona", "Former", "a1@farm", "555 A1"):
            assert secret not in text
        assert "S-A1" in text
        assert client.get(f"{V1}calibrations/?search=Former").json()["results"] == []
        assert client.get(f"{V1}customers/?search=A1").json()["results"] == []


def test_reviewers_never_see_contact_data(reviewer, manager, world):
    customer = world.customers["A1"]
    shown = reviewer.get(f"{V1}customers/{customer.pk}/").json()
    assert shown == {
        "id": customer.pk, "dealer": customer.dealer_id, "dealer_code": "NORTH", "name": "Farm A1",
    }  # fmt: skip
    for query in ("search=a1@farm", "search=555", "email=a1@farm", "phone=555"):
        assert reviewer.get(f"{V1}customers/?{query}").json()["results"] == []
    refused(reviewer.get(f"{V1}customers/?ordering=email"), 400)
    export = reviewer.get(f"{V1}customers/?format=csv")
    assert b"farm.example" not in b"".join(export.streaming_content)
    refused(reviewer.get(f"{V1}customers/{customer.pk}/visit-sheet/"), 403)
    assert manager.get(f"{V1}customers/{customer.pk}/").json()["email"] == "a1@farm.example"
    for query in ("email=a1@farm", "phone=555 A1"):
        found = manager.get(f"{V1}customers/?{query}").json()["results"]
        assert [row["name"] for row in found] == ["Farm A1"]
    assert manager.get(f"{V1}customers/?email=b1@farm").json()["results"] == []


def test_what_is_refused_stores_nothing(manager, world):
    before = (Dealer.objects.count(), Customer.objects.count(), Sensor.objects.count())
    for resource in ("customers", "sensors", "machines", "installations", "references"):
        refused(manager.post(f"{V1}{resource}/", {"name": "\x00", "nonsense": 1}), 422)
    assert (Dealer.objects.count(), Customer.objects.count(), Sensor.objects.count()) == before


def test_a_sensor_is_not_replaced_by_itself(manager, world):
    place = world.installations["A1"]
    answer = manager.post(
        f"{V1}installations/{place.pk}/replace/", {"sensor": "S-A1", "on": "2026-04-01"}
    )
    refused(answer, 422, "/sensor")
    place.refresh_from_db()
    assert place.removed_on is None
