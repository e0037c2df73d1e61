"""Calendars under a secret address, as two parsers that are not ours read them.

`icalendar` and `vobject`; the rules are those of RFC 5545, named beside each check.
"""

import hashlib
from datetime import UTC, date, datetime, timedelta

import icalendar
import pytest
import time_machine
import vobject

from calibration.models import CalendarFeed, Visit
from calibration.planning import appointments
from tests.api.conftest import V1, refused

NOW = datetime(2027, 1, 11, 9, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _frozen():
    with time_machine.travel(NOW, tick=False):
        yield


def visit(world, name="A1", **changes):
    values = {
        "customer": world.customers[name], "season": 2027, "planned_on": date(2027, 2, 10),
        "due_on": date(2027, 3, 1), "updated_at": NOW, "technician": world.users[f"tech{name[0]}"],
    }  # fmt: skip
    return Visit.objects.create(**(values | changes))


def given(client, **body):
    answer = client.post(f"{V1}calendar-feeds/", body)
    assert answer.status_code == 201, answer.content
    return answer.json()


def path(feed):
    return feed["address"].removeprefix("http://testserver")


def events(answer):
    assert answer.status_code == 200, answer.content
    assert answer["Content-Type"] == "text/calendar"
    first = {
        str(event["uid"]): event
        for event in icalendar.Calendar.from_ical(answer.content).walk("VEVENT")
    }
    second = vobject.readOne(answer.content.decode())
    second.validate()
    found = {event.uid.value: event for event in getattr(second, "vevent_list", [])}
    assert first.keys() == found.keys()
    for uid, event in first.items():
        other = found[uid]
        assert event.decoded("dtstart") == other.dtstart.value
        assert str(event["status"]) == other.status.value
        assert int(event["sequence"]) == int(other.sequence.value)
        assert str(event["summary"]) == other.summary.value
    return first


def read(client, feed):
    return events(client.get(path(feed)))


def test_a_dealers_calendar_needs_no_token_but_its_secret(manager, nobody, world):
    mine = visit(world, note="Ring first; bring 100 kg, please")
    mine.lines.create(machine=world.machines["A1"], due_on=date(2027, 3, 1), sensors=2)
    visit(world, "B1")
    feed = given(manager, dealer="NORTH")
    shown = read(nobody, feed)
    assert list(shown) == [f"visit-{mine.pk}"]
    event = shown[f"visit-{mine.pk}"]
    assert event.decoded("dtstart") == date(2027, 2, 10)
    assert event.decoded("dtend") == date(2027, 2, 11)  # 3.6.1: a DATE's end is not included
    assert "M-A1: 2 due" in str(event["description"])
    assert "100 kg, please" in str(event["description"])
    answer = nobody.get(path(feed))
    assert answer["Referrer-Policy"] == "no-referrer"
    assert "no-cache" in answer["Cache-Control"]
    assert nobody.head(path(feed)).status_code == 200


def test_the_secret_is_shown_once_and_only_its_digest_is_kept(manager, world):
    feed = given(manager, dealer="NORTH")
    secret = path(feed).rsplit("/", 1)[1].removesuffix(".ics")
    assert len(secret) >= 43  # 256 random bits
    row = CalendarFeed.objects.get()
    assert row.token_hash == hashlib.sha256(secret.encode()).hexdigest()
    for answer in (
        manager.get(f"{V1}calendar-feeds/"),
        manager.get(f"{V1}calendar-feeds/{row.pk}/"),
    ):
        assert secret not in answer.content.decode()
        assert row.token_hash not in answer.content.decode()


def test_a_wrong_a_revoked_and_a_renewed_address_are_alike_absent(manager, nobody, world):
    feed = given(manager, dealer="NORTH")
    wrong = refused(nobody.get(f"{V1}calendars/{'x' * 43}.ics"), 404)
    renewed = manager.post(f"{V1}calendar-feeds/{feed['id']}/renew/").json()
    assert refused(nobody.get(path(feed)), 404) == wrong
    assert nobody.get(path(renewed)).status_code == 200
    assert refused(nobody.post(path(renewed), {}), 404) == wrong
    assert manager.delete(f"{V1}calendar-feeds/{feed['id']}/").status_code == 204
    assert refused(nobody.get(path(renewed)), 404) == wrong


def test_a_technician_has_a_calendar_of_their_own_and_no_other(tech, manager, nobody, world):
    mine = visit(world)
    visit(world, "A2", technician=None)
    feed = given(tech, technician="techA")
    assert list(read(nobody, feed)) == [f"visit-{mine.pk}"]
    assert given(tech)["technician_username"] == "techA"  # a technician who names nobody
    CalendarFeed.objects.latest("pk").delete()
    refused(tech.post(f"{V1}calendar-feeds/", {"technician": None}), 403)
    refused(tech.post(f"{V1}calendar-feeds/", {"technician": "techB"}), 422, "/technician")
    whole = given(manager, dealer="NORTH")
    assert [row["id"] for row in tech.get(f"{V1}calendar-feeds/").json()["results"]] == [
        feed["id"]
    ]
    refused(tech.delete(f"{V1}calendar-feeds/{whole['id']}/"), 404)
    assert len(manager.get(f"{V1}calendar-feeds/").json()["results"]) == 2
    refused(manager.post(f"{V1}calendar-feeds/", {"technician": "techB"}), 422, "/technician")


def test_who_left_reads_no_further(manager, nobody, world):
    feed = given(manager, technician="techA")
    assert nobody.get(path(feed)).status_code == 200
    world.users["techA"].memberships.all().delete()
    refused(nobody.get(path(feed)), 404)


def test_changes_arrive_under_the_same_name_with_a_higher_number(manager, nobody, world):
    mine = visit(world)
    feed = given(manager, dealer="NORTH")
    uid = f"visit-{mine.pk}"
    before = read(nobody, feed)[uid]
    assert (int(before["sequence"]), str(before["status"])) == (0, "TENTATIVE")
    manager.patch(f"{V1}visits/{mine.pk}/", {"planned_on": "2027-02-12"})
    moved = read(nobody, feed)[uid]
    assert (int(moved["sequence"]), moved.decoded("dtstart")) == (1, date(2027, 2, 12))
    manager.patch(f"{V1}visits/{mine.pk}/", {"status": "confirmed"})
    assert str(read(nobody, feed)[uid]["status"]) == "CONFIRMED"
    manager.patch(f"{V1}visits/{mine.pk}/", {"status": "confirmed"})  # no news
    assert int(read(nobody, feed)[uid]["sequence"]) == 2
    off = {"status": "cancelled", "cancel_reason": "the field is wet"}
    manager.patch(f"{V1}visits/{mine.pk}/", off)
    off = read(nobody, feed)[uid]
    assert (int(off["sequence"]), str(off["status"])) == (3, "CANCELLED")
    assert "Cancelled: the field is wet" in str(off["description"])
    with time_machine.travel(NOW + timedelta(days=31), tick=False):
        assert read(nobody, feed) == {}


def test_a_visit_that_somebody_else_makes_is_off_in_the_first_ones_calendar(
    manager, nobody, world
):
    mine = visit(world)
    feed = given(manager, technician="techA")
    manager.patch(f"{V1}visits/{mine.pk}/", {"technician": "managerA"})
    (event,) = read(nobody, feed).values()
    assert (str(event["status"]), int(event["sequence"])) == ("CANCELLED", 1)
    other = given(manager, technician="managerA")
    (event,) = read(nobody, other).values()
    assert str(event["status"]) == "TENTATIVE"


def test_a_visit_that_was_made_stays(manager, nobody, world):
    mine = visit(world, planned_on=date(2027, 1, 8))
    feed = given(manager, dealer="NORTH")
    appointments.change(mine, now=NOW, status="done")
    (event,) = read(nobody, feed).values()
    assert str(event["status"]) == "CONFIRMED"


@pytest.mark.parametrize(
    "name",
    [
        "Gut Łąka & Söhne, 北 ; back\\slash",
        "x" * 120,
        "ą" * 120,  # two octets each: folding must not cut one in half
        "🌾" * 60,
        "Hof\r\nDTSTART:19700101",
    ],
)
def test_names_are_folded_and_escaped(manager, nobody, world, name):
    customer = world.customers["A1"]
    customer.name = name
    customer.save()
    visit(world)
    answer = nobody.get(path(given(manager, dealer="NORTH")))
    lines = answer.content.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75  # 3.1: octets, without the line break
    assert b"\n" not in b"".join(lines)
    (event,) = events(answer).values()
    assert str(event["summary"]).replace("\n", "").endswith(name.replace("\r\n", ""))
    assert event.decoded("dtstart") == date(2027, 2, 10)


@pytest.mark.parametrize("zone", ["Pacific/Tongatapu", "Pacific/Pitcairn", "America/New_York"])
def test_a_day_is_the_same_day_in_every_time_zone(manager, nobody, world, zone):
    dealer = world.dealers["A"]
    dealer.timezone = zone
    dealer.save()
    for n, day in enumerate((date(2027, 3, 14), date(2027, 11, 7), date(2028, 2, 29))):
        visit(world, planned_on=day, season=2027 + n)
    answer = nobody.get(path(given(manager, dealer="NORTH")))
    shown = {event.decoded("dtstart") for event in events(answer).values()}
    assert shown == {date(2027, 3, 14), date(2027, 11, 7), date(2028, 2, 29)}
    assert f"X-WR-TIMEZONE:{zone}".encode() in answer.content
    for event in events(answer).values():
        assert event.decoded("dtstamp") == NOW  # 3.8.7.2: in UTC
        assert str(event["dtstamp"].to_ical(), "ascii").endswith("Z")


def test_positions_are_shown_where_they_are_known(manager, nobody, world):
    customer = world.customers["A1"]
    customer.latitude, customer.longitude = 52.25, 17.5
    customer.save()
    visit(world)
    (event,) = read(nobody, given(manager, dealer="NORTH")).values()
    assert event["geo"].to_ical() == "52.25;17.5"
