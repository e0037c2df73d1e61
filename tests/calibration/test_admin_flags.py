"""Triage on the desk: worst first, acknowledged and closed by those who may, with a reason."""

import re

import pytest
from django.contrib.admin.helpers import ACTION_CHECKBOX_NAME
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from calibration.admin import wording
from calibration.models import DriftFlag
from calibration.records import PointDraft
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
def flagged(world):
    """Return flags of three weights, the middle one first."""
    return [drift(world, "A1", 12000), drift(world, "A2", 15000), drift(world, "A1b", 11000)]


@pytest.fixture
def technician(world):
    return signed_in(world.users["techA"])


def door(flag: DriftFlag, verb: str) -> str:
    return reverse(f"admin:calibration_driftflag_{verb}", args=[flag.pk])


def test_the_worst_stands_first_on_the_list_and_at_home(flagged, technician):
    shown = technician.get(reverse(LIST)).context["cl"].result_list
    weights = [abs(flag.magnitude) / flag.tolerance for flag in shown]
    assert weights == sorted(weights, reverse=True)
    assert len(weights) == 3
    first = technician.get(reverse("admin:index")).context["flags"]
    assert [item["sensor"].serial for item in first] == ["S-A2", "S-A1", "S-A1b"]


def test_a_flag_says_what_why_and_what_to_check(flagged, technician):
    flag = flagged[1]
    text = technician.get(page(flag, "change", flag.pk)).content.decode()
    assert "+50.00 % (tolerance 3 %), against what was expected" in text
    assert flag.causes
    for cause in flag.causes:
        assert cause["says"] in text or "&#x27;" in text
    assert 'class="check"' in text
    assert text.index("Bleed the downforce circuit to zero") < text.index("what to check")


def test_acknowledging_and_closing(world, flagged, technician):
    flag = flagged[0]
    assert technician.get(door(flag, "acknowledge")).status_code == 405
    for _ in range(2):
        assert technician.post(door(flag, "acknowledge")).status_code == 302
    flag.refresh_from_db()
    assert (flag.status, flag.acknowledged_by) == ("acknowledged", world.users["techA"])
    for reason in ("", "  ", "no"):
        answer = technician.post(door(flag, "close"), {"reason": reason})
        assert answer.status_code == 200
    answer = technician.post(door(flag, "close"), {"reason": "x" * 201})
    assert answer.status_code == 200
    flag.refresh_from_db()
    assert flag.status == "acknowledged"
    assert technician.post(door(flag, "close"), {"reason": "cell replaced"}).status_code == 302
    flag.refresh_from_db()
    assert (flag.status, flag.close_reason) == ("closed", "cell replaced")
    late = technician.post(door(flag, "acknowledge"), follow=True).content.decode()
    assert "cannot be acknowledged any more" in late


def test_a_reason_that_is_refused_stays_as_it_was_typed(flagged, technician):
    """The service wants 3 characters: what was typed stands in its field, the reason beside it."""
    answer = technician.post(door(flagged[0], "close"), {"reason": "ok"})
    field = answer.context["form"]["reason"]
    assert field.value() == "ok"
    assert "3 to 200 characters" in str(field.errors)
    assert 'value="ok"' in answer.content.decode()
    chosen = {ACTION_CHECKBOX_NAME: [flagged[1].pk], "action": "close_chosen", "sure": "1"}
    many = technician.post(reverse(LIST), chosen | {"reason": "ok"})
    assert "3 to 200 characters" in str(many.context["form"]["reason"].errors)
    assert 'value="ok"' in many.content.decode()
    assert DriftFlag.objects.filter(status="closed").count() == 0


def test_a_reviewer_looks_and_does_not_decide(world, flagged):
    reviewer = signed_in(world.users["reviewer"])
    flag = flagged[0]
    text = reviewer.get(page(flag, "change", flag.pk)).content.decode()
    assert "Close the flag" not in text
    assert reviewer.post(door(flag, "acknowledge")).status_code == 403
    assert reviewer.post(door(flag, "close"), {"reason": "let it be"}).status_code == 403
    assert "close_chosen" not in reviewer.get(reverse(LIST)).content.decode()


def test_many_at_once_say_first_what_they_will_do(world, flagged, technician):
    chosen = {ACTION_CHECKBOX_NAME: [flag.pk for flag in flagged], "action": "close_chosen"}
    asked = technician.post(reverse(LIST), chosen)
    assert "3 flags will be closed" in asked.content.decode()
    assert DriftFlag.objects.filter(status="open").count() == 3
    done = technician.post(
        reverse(LIST), chosen | {"reason": "all one bad reference", "sure": "1"}
    )
    assert done.status_code == 302
    assert set(DriftFlag.objects.values_list("status", "close_reason")) == {
        ("closed", "all one bad reference")
    }


def test_acknowledging_many_leaves_closed_ones_and_other_dealers_alone(world, flagged, technician):
    foreign = drift(world, "B1", 12000)
    technician.post(door(flagged[2], "close"), {"reason": "seen to"})
    keys = [flag.pk for flag in (*flagged, foreign)]
    data = {ACTION_CHECKBOX_NAME: keys, "action": "acknowledge_chosen"}
    asked = technician.post(reverse(LIST) + "?status=all", data).content.decode()
    assert "2 flags will be acknowledged; 1 of your choice will be left as it is" in asked
    assert DriftFlag.objects.filter(status="acknowledged").count() == 0
    data["sure"] = "1"
    technician.post(reverse(LIST) + "?status=all", data)
    states = dict(DriftFlag.objects.values_list("sensor__serial", "status"))
    assert states == {
        "S-A1": "acknowledged",
        "S-A2": "acknowledged",
        "S-A1b": "closed",
        "S-B1": "open",
    }


def test_the_list_filters(flagged, technician):
    technician.post(door(flagged[0], "close"), {"reason": "seen to"})
    counts = {
        query: len(technician.get(f"{reverse(LIST)}?{query}").context["cl"].result_list)
        for query in ("", "status=closed", "status=all", "level__exact=beyond", "q=S-A2", "lot=L1",
                      "lot=none", "kind__exact=offset")
    }  # fmt: skip
    assert counts == {
        "": 2, "status=closed": 1, "status=all": 3, "level__exact=beyond": 2, "q=S-A2": 1,
        "lot=L1": 2, "lot=none": 0, "kind__exact=offset": 0,
    }  # fmt: skip


def slow_drift(world) -> DriftFlag:
    """Return the flag of a slope that moved a little every year, and in all too far."""
    for year, gain in zip(range(2022, 2027), (0, 80, 180, 290, 410), strict=True):
        points = (PointDraft(0, 20000), PointDraft(100, 30000 + gain))
        world.season("A1", year, points=points)
    return DriftFlag.objects.get(sensor=world.sensors["A1"])


def test_a_flag_and_its_sensor_tell_one_story(world, technician):
    """The sum since the first is what the flag is for; the sensor says so with the same chance."""
    flag = slow_drift(world)
    assert flag.level == "watch"
    size, chance = f"{flag.magnitude:+.2f} %", wording.percent(flag.p_out)
    shown = technician.get(page(flag, "change", flag.pk)).content.decode()
    assert f"{size} (tolerance 3 %), since the first, 2022-03-10" in shown
    assert f"lies beyond the tolerance: {chance}." in shown
    assert f"{size} (tolerance 3 %), since the first, 2022-03-10" in (
        technician.get(reverse(LIST)).content.decode()
    )
    row = flag.calibration
    for address in (
        page(flag.sensor, "change", flag.sensor_id), page(row, "change", row.pk),
    ):  # fmt: skip
        text = technician.get(address).content.decode()
        assert "Watched for what has added up since the first calibration here, 2022-03-10" in text
        assert f"Chance that this lies beyond the tolerance: {chance}." in text


def test_an_offset_is_said_in_both_units_on_the_flag(world, technician):
    """2 % of the rated 200 daN are 4 daN; 12 daN are 6 %."""
    world.season("A1", 2025)
    world.season("A1", 2026, points=(PointDraft(0, 21200), PointDraft(100, 31200)))
    flag = DriftFlag.objects.get(sensor=world.sensors["A1"], kind="offset")
    found = technician.get(page(flag, "change", flag.pk)).context["size"]
    percent, load, tolerance = re.fullmatch(
        r"([+-]\S+) % of rated load, ([+-]\S+) daN \((.*)\), against what was expected", found
    ).groups()
    assert tolerance == "tolerance 2 %, 4 daN"
    assert float(load) == pytest.approx(2.0 * float(percent), rel=0.01)
    assert float(load) == pytest.approx(12.0, abs=0.5)
    assert f"{load} daN (tolerance 2 %, 4 daN)" in technician.get(
        reverse(LIST)
    ).content.decode().replace("&#x27;", "'")


def test_what_a_flag_no_longer_rests_on_is_not_claimed(world, technician):
    flag = slow_drift(world)
    DriftFlag.objects.filter(pk=flag.pk).update(magnitude=9.0)
    shown = technician.get(page(flag, "change", flag.pk)).context["size"]
    assert shown == "+9.00 % (tolerance 3 %)"


def test_a_list_of_flags_costs_the_same_however_many(world, flagged, technician):
    world.season("A2", 2026, points=(PointDraft(0, 26000), PointDraft(100, 36000)))

    def cost(query: str) -> int:
        with CaptureQueriesContext(connection) as found:
            shown = technician.get(f"{reverse(LIST)}?{query}").context["cl"].result_list
        assert shown
        return len(found)

    assert cost("status=all") == cost("q=S-A1b&status=all")
