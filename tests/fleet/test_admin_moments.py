"""A moment is written in one way on every page: day, minute, offset; in the person's own zone."""

import re
from datetime import UTC, datetime
from html import unescape
from zoneinfo import ZoneInfo

import pytest

from calibration.models import Calibration, DriftFlag, ScanRun
from fleet.config.clock import ZoneWhenAsked
from fleet.models import Change, User
from tests.desk import fill, page, signed_in, without_files

MOMENT = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d\S*(?: ?(?:[+-]\d\d:?\d\d|UTC))?")
WRITTEN = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d [+-]\d{4}")


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


def moments(client, address) -> list[str]:
    text = unescape(client.get(address).content.decode())
    # What the database wrote down stands as it was written.
    shown = re.sub(r"(?s)<(script|pre)\b.*?</\1>", " ", text.split("<body", 1)[1])
    return [found.rstrip("<,.") for found in MOMENT.findall(re.sub(r"<[^>]*>", "\n", shown))]


@pytest.mark.parametrize(("who", "offset"), [("managerA", "+0200"), ("admin", "+0000")])
def test_every_page_writes_a_moment_alike(world, who, offset):
    """NOW is in April: summer time in Warsaw; who belongs to no dealer reads UTC."""
    fill(world)
    client = signed_in(world.users[who])
    row = Calibration.objects.filter(dealer=world.dealers["A"]).latest("pk")
    flag = DriftFlag.objects.filter(sensor__dealer=world.dealers["A"]).latest("pk")
    run = ScanRun.objects.latest("pk")
    change = Change.objects.filter(dealer=world.dealers["A"]).latest("pk")
    of_nobody = [
        page(ScanRun, "changelist"), page(run, "change", run.pk), page(Change, "changelist"),
        page(change, "change", change.pk), page(User, "changelist"),
    ]  # fmt: skip
    of_the_dealer = [page(row, "change", row.pk), page(flag, "change", flag.pk)]
    for address in of_nobody + of_the_dealer:
        found = moments(client, address)
        assert found, address
        for moment in found:
            assert WRITTEN.fullmatch(moment), (address, moment)
    for address in of_nobody[:2]:
        assert {moment[-5:] for moment in moments(client, address)} == {offset}


def test_without_somebody_signed_in_the_door_opens_all_the_same(world, client):
    assert client.get("/admin/login/").status_code == 200


def test_the_persons_zone_is_a_zone_like_any_other():
    """Noon of UTC is 13:00 in a Warsaw winter and 14:00 in its summer (tz database)."""
    asked = []
    zone = ZoneWhenAsked(lambda: asked.append(1) or ZoneInfo("Europe/Warsaw"))
    assert not asked
    for month, written in ((1, "2026-01-10T13:00:00+01:00"), (7, "2026-07-10T14:00:00+02:00")):
        noon = datetime(2026, month, 10, 12, tzinfo=UTC)
        assert noon.astimezone(zone).isoformat() == written
        wall = datetime.fromisoformat(written).replace(tzinfo=zone)
        assert wall == noon
        assert (wall.tzname(), wall.dst()) == (
            noon.astimezone(zone).tzname(), noon.astimezone(zone).dst(),
        )  # fmt: skip
    assert (str(zone), len(asked)) == ("Europe/Warsaw", 1)
