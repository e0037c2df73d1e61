"""Bad input, each kind tried: a clear problem with its place, nothing stored, never a 500."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from calibration.models import Calibration
from fleet.models import Customer, Sensor
from tests.api.conftest import V1, calibration, refused, taken

PATH = f"{V1}calibrations/"


def posted(client, body: str):
    """Post bytes as they are: JSON's own encoder would not write them."""
    return client.post(
        PATH, body.encode("utf-8", "surrogatepass"), content_type="application/json"
    )


def raw(**changes: str) -> str:
    """Return a calibration with some values put in as text."""
    body = json.dumps(calibration() | {name: f"<{name}>" for name in changes})
    for name, text in changes.items():
        body = body.replace(f'"<{name}>"', text)
    return body


def points(load: str = "100", reading: str = "30000") -> str:
    return f'[{{"load": 0, "reading": 20000}}, {{"load": {load}, "reading": {reading}}}]'


@pytest.fixture(autouse=True)
def _nothing_is_stored(world):
    yield
    assert not Calibration.objects.exists()


@pytest.mark.parametrize(
    ("number", "status", "pointer"),
    [
        ("NaN", 422, "/points/1/load"),
        ("Infinity", 422, "/points/1/load"),
        ("-Infinity", 422, "/points/1/load"),
        ("1e400", 422, "/points/1/load"),
        ("1" + "0" * 400, 422, "/points/1/load"),
        ("1" + "0" * 5000, 400, ""),
        ("1e300", 422, "/points/1/load"),
        ('"110,5"', 422, "/points/1/load"),
        ('"110"', 422, "/points/1/load"),
        ("110,5", 400, ""),
        ("true", 422, "/points/1/load"),
        ("null", 422, "/points/1/load"),
        ("[100]", 422, "/points/1/load"),
        ("{}", 422, "/points/1/load"),
        ('""', 422, "/points/1/load"),
        ("0x64", 400, ""),
    ],
)
def test_numbers_that_are_none(tech, number, status, pointer):
    problem = refused(posted(tech, raw(points=points(load=number))), status, pointer)
    assert problem["errors"][0]["accepted"]


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ('[{"load": 50, "reading": 1}, {"load": 50.0, "reading": 2}]', "/points"),
        ('[{"load": 50, "reading": 1}]', "/points"),
        ("[]", "/points"),
        (points(reading="65536"), "/points/1/reading"),
        (points(reading="-1"), "/points/1/reading"),
        (points(reading="19000"), "/points"),
        (points(reading="20000"), "/points"),
        ('[{"load": 0}, {"reading": 5}]', "/points/0/reading"),
        ('[{"load": 0}, {"reading": 5}]', "/points/1/load"),
        ('[{"load": 0, "reading": 1, "direction": "sideways"}]', "/points/0/direction"),
        ('[{"load": 0, "reading": 1, "mass": 1}]', "/points/0/mass"),
        ("[5]", "/points/0"),
        ('{"load": 0}', "/points"),
        ('"many"', "/points"),
        ("[" + ",".join('{"load": 1, "reading": 2}' for _ in range(501)) + "]", "/points"),
    ],
)
def test_points_that_make_no_line(tech, given, pointer):
    refused(posted(tech, raw(points=given)), 422, pointer)


@pytest.mark.parametrize(
    ("change", "pointer", "accepted"),
    [
        ({"load_unit": "stone"}, "/load_unit", "daN"),
        ({"load_unit": "DAN"}, "/load_unit", "daN"),
        ({"load_unit": ["daN"]}, "/load_unit", "daN"),
        ({"reading_unit": "mV"}, "/reading_unit", "count"),
        ({"reading_unit": "furlong"}, "/reading_unit", "count"),
        ({"reason": "because"}, "/reason", "seasonal"),
        ({"stage": "later"}, "/stage", "as_found"),
        ({"technician": "x" * 81}, "/technician", "80"),
        ({"note": "x" * 2001}, "/note", "2000"),
        ({"technician": 5}, "/technician", "text"),
        ({"conditions": {"temperature_c": 300}}, "/conditions/temperature_c", "80"),
        ({"conditions": {"temperature_c": "warm"}}, "/conditions/temperature_c", "number"),
        ({"conditions": {"hydraulic_pressure": 3}}, "/conditions/pressure_unit", "bar"),
        ({"conditions": {"pressure_unit": "ell"}}, "/conditions/pressure_unit", "bar"),
        ({"conditions": [1]}, "/conditions", "object"),
        ({"reference": "no such scale"}, "/reference", "id or name"),
        ({"id": "not-a-uuid"}, "/id", "UUID"),
        ({"id": 7}, "/id", "UUID"),
        ({"supersedes": "00000000-0000-4000-8000-000000000000"}, "/supersedes", "id"),
        ({"supersede_reason": "typing error"}, "/supersedes", "earlier record"),
        ({"colour": "red"}, "/colour", "/api/schema/"),
    ],
)
def test_values_that_are_not_accepted(tech, change, pointer, accepted):
    problem = refused(tech.post(PATH, calibration(**change)), 422, pointer)
    (error,) = [error for error in problem["errors"] if error["pointer"] == pointer]
    assert accepted in error["accepted"]


@pytest.mark.parametrize(
    "moment",
    [
        pytest.param((datetime.now(UTC) + timedelta(days=2)).isoformat(), id="in the future"),
        "2019-12-31T12:00:00+01:00",  # before the installation
        "2026-03-29T02:30:00",  # Warsaw's clock skips it
        "2025-10-26T02:30:00",  # Warsaw's clock shows it twice
        "2026-02-30T10:00:00",
        "yesterday",
        "",
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-14:00",
        "1773133200",
    ],
)
def test_moments_that_cannot_be(tech, moment):
    problem = refused(tech.post(PATH, calibration(performed_at=moment)), 422, "/performed_at")
    assert problem["errors"][0]["accepted"]


def test_a_moment_must_be_text(tech):
    refused(tech.post(PATH, calibration(performed_at=1773133200)), 422, "/performed_at")


@pytest.mark.parametrize(
    "sensor",
    [
        "S-B1",  # another dealer's
        "S-NONE",
        "\u0405-\u04101",  # Cyrillic look-alikes
        "S-A1 ",
        " S-A1",
        "",
        "S-A%",
        0,
        -1,
        2**63,
        1.5,
        True,
        None,
        [1],
        {"serial": "S-A1"},
    ],
)
def test_sensors_that_are_not_there(tech, sensor):
    refused(tech.post(PATH, calibration(sensor=sensor)), 422, "/sensor")


def test_another_dealer_s_sensor_is_refused_like_an_absent_one(tech, world):
    def said(sensor):
        return refused(tech.post(PATH, calibration(sensor=sensor)), 422)["errors"]

    other, none = said("S-B1"), said("S-X1")
    assert [error | {"value": ""} for error in other] == [error | {"value": ""} for error in none]
    by_id, no_id = said(world.sensors["B1"].pk), said(987654)
    assert [e | {"value": ""} for e in by_id] == [e | {"value": ""} for e in no_id]


def test_another_dealer_s_reference_is_refused_like_an_absent_one(tech, world):
    answer = tech.post(PATH, calibration(reference=world.references["B"].pk))
    absent = tech.post(PATH, calibration(reference=987654))
    assert (
        refused(answer, 422, "/reference")["errors"][0]["reason"]
        == (refused(absent, 422, "/reference")["errors"][0]["reason"])
    )


@pytest.mark.parametrize("text", [r'"a\u0000b"', r'"\ud800"', '"\ud800"', r'"\udfff\ud800"'])
def test_text_that_cannot_be_kept(tech, text):
    answer = posted(tech, raw(note=text))
    refused(answer, 400 if text == '"\ud800"' else 422)


@pytest.mark.parametrize(
    "body",
    [
        "", "{", "[1,", "null x", "{'a': 1}", '{"a": 1,}', "\x00", "[" * 100_000,
        '{"id": 1, "id": 2}', "\ufeff{",
    ],
)  # fmt: skip
def test_what_is_not_json(tech, body):
    answer = posted(tech, body)
    refused(answer, 422 if body == "" else 400)


@pytest.mark.parametrize("body", ["null", "5", '"x"', "[]", "true", "[[[[[]]]]]"])
def test_json_that_is_no_object(tech, body):
    refused(posted(tech, body), 422, "")


def test_json_that_is_too_deep(tech):
    refused(posted(tech, raw(note="[" * 40 + "]" * 40)), 400)


def test_bytes_of_another_encoding(tech):
    body = json.dumps(calibration(technician="Żółć"), ensure_ascii=False)
    answer = tech.post(PATH, body.encode("iso-8859-2"), content_type="application/json")
    assert "UTF-8" in refused(answer, 400)["detail"]


def test_a_byte_order_mark_is_harmless(tech):
    body = b"\xef\xbb\xbf" + json.dumps(calibration(points=[])).encode()
    refused(tech.post(PATH, body, content_type="application/json"), 422, "/points")


def test_a_body_that_is_too_large(tech, settings):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1000
    refused(tech.post(PATH, calibration(note="x" * 1000)), 413)


def test_a_body_of_another_type(tech):
    refused(tech.post(PATH, b"a=1", content_type="application/x-www-form-urlencoded"), 415)
    refused(tech.post(PATH, b"<a/>", content_type="text/xml"), 415)
    refused(tech.post(PATH, b"{}", content_type="x" * 300), 415)


def test_every_problem_is_named_at_once(tech):
    body = calibration(load_unit="stone", reason="because", colour="red", points=[{"load": "x"}])
    problem = refused(tech.post(PATH, body), 422)
    assert {error["pointer"] for error in problem["errors"]} == {
        "/load_unit", "/reason", "/colour", "/points/0/load", "/points/0/reading",
    }  # fmt: skip


@pytest.mark.parametrize(
    "serial", ["S 1 ", " S1", "\u04051", "S\t1", "S\n", "", "x" * 41, "=1+1", None, 12, ["S1"]]
)
def test_serials_that_cannot_be(tech, world, serial):
    body = {"serial": serial, "model": "LC-500"}
    problem = refused(tech.post(f"{V1}sensors/", body), 422, "/serial")
    assert problem["errors"][0]["reason"]
    assert Sensor.objects.count() == 8


@pytest.mark.parametrize(
    "key", ["abc", "0", "-1", "1.5", "9" * 30, "%00", "1%20", "٣", "null", "1;drop"]
)
@pytest.mark.parametrize("resource", ["sensors", "calibrations", "flags", "visits", "dealers"])
def test_keys_that_are_none(tech, resource, key):
    refused(tech.get(f"{V1}{resource}/{key}/"), 404)


@pytest.mark.parametrize(
    "query",
    [
        "page_size=0", "page_size=501", "page_size=x", "page_size=", "page_size=9999999999999",
        "cursor=x", "cursor=", "cursor=e30", "cursor=W10", "ordering=colour", "ordering=-",
        "ordering=id,id,id,id,id,id,id,id,id", "colour=red", "sensor__serial=x", "pk=1",
        "verdict=good", "season=x", "season=1e3", "season=99999999999999999999",
        "performed_after=yesterday", "performed_after=0001-01-01", "performed_after=9999-99-99",
        "performed_before=2026-13-01", "superseded=maybe", "superseded=", "reason=%00",
        "sensor_serial=%00", "sensor_serial=" + "x" * 201, "sensor=%00",
        "search=%00", "format=xml", "format=%00", "format=",
    ],
)  # fmt: skip
def test_queries_that_are_not_understood(tech, query):
    answer = tech.get(f"{PATH}?{query}")
    problem = refused(answer, 406 if query.startswith("format") else 400)
    assert problem["detail"]


def test_an_unknown_parameter_is_told_what_is_known(tech):
    problem = refused(tech.get(f"{PATH}?colour=red"), 400)
    assert "sensor_serial" in problem["errors"][0]["accepted"]
    assert problem["errors"][0]["pointer"] == "/?/colour"


def test_forms_that_there_are_not(tech):
    refused(tech.get(PATH, HTTP_ACCEPT="text/html"), 406)
    refused(tech.get(PATH, HTTP_ACCEPT="application/pdf"), 406)
    assert tech.get(PATH, HTTP_ACCEPT="text/html,*/*;q=0.1").status_code == 200
    assert tech.get(f"{PATH}?format=csv", HTTP_ACCEPT="application/json").status_code == 200


def test_addresses_that_there_are_not(tech, nobody):
    for client in (tech, nobody):
        refused(client.get(f"{V1}nowhere/"), 404)
        refused(client.post(f"{V1}nowhere/", {}), 404)


def test_methods_that_there_are_not(tech):
    refused(tech.delete(PATH), 405)
    refused(tech.put(PATH, {}), 405)
    refused(tech.options(PATH), 405)


@pytest.mark.parametrize("token", ["x", "x y", "", "é", "\x7f", "0" * 5000, "0" * 64, "a'b"])
def test_tokens_that_are_none(nobody, token):
    answer = nobody.get(PATH, HTTP_AUTHORIZATION=f"Bearer {token}")
    refused(answer, 401)


def test_a_customer_twice_is_refused(manager, world):
    taken(manager.post(f"{V1}customers/", {"name": "farm a1"}))
    assert Customer.objects.filter(dealer=world.dealers["A"]).count() == 2


@pytest.mark.parametrize("path", ["nothing/", "tokens/H%C2%9AF%0A/", "sensors/1/nothing/", "%0A/"])
def test_an_address_that_is_none_is_told_as_every_other_problem(tech, path):
    assert refused(tech.get(V1 + path), 404)["code"] == "not_found"
