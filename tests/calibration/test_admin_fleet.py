"""The fleet at a glance, lots and models: right rows, right order, a fixed number of queries."""

import re
from xml.etree import ElementTree as ET

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from calibration import charts, fleetwide
from calibration.fleetwide.glance import glance
from calibration.models import Judgement
from calibration.records import PointDraft
from fleet import units
from fleet.models import SensorModel
from tests.conftest import NOW, SYSTEM
from tests.desk import page, signed_in, without_files

GLANCE, LOTS = "admin:fleet_sensor_glance", "admin:fleet_sensormodel_lots"


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


def drifted(world, which: str, span: float) -> None:
    world.season(which, 2025)
    world.season(which, 2026, points=(PointDraft(0, 20000), PointDraft(100, 20000 + span)))


@pytest.fixture
def seasons(world):
    for which, span in (("A1", 10010), ("A2", 12000), ("A1b", 10600), ("B1", 14000)):
        drifted(world, which, span)
    return world


def test_the_heaviest_stands_first_with_its_seasons(seasons):
    found = glance(scope=seasons.scopes["managerA"])
    assert [sensor.serial for sensor in found.sensors][:3] == ["S-A2", "S-A1b", "S-A1"]
    assert [season.year for season in found.seasons] == [2026, 2025]
    assert [season.total for season in found.seasons] == [3, 3]
    for sensor in found.sensors[:3]:
        last = Judgement.objects.get(calibration__sensor=sensor, season=2026)
        weights = (
            abs(last.expected_slope_change_pct) / last.slope_tolerance_pct,
            abs(last.expected_offset_change) / last.offset_tolerance,
        )
        assert sensor.weight == pytest.approx(max(weights))
        assert [cell.season for cell in found.row_of(sensor)] == [2026, 2025]


def test_a_seasons_bar_means_what_it_shows_without_its_colours(seasons):
    """WCAG 1.4.1 (from memory): colour is not the only way; the numbers are in the name."""
    text = signed_in(seasons.users["managerA"]).get(reverse(GLANCE)).content.decode()
    bars = [ET.fromstring(found) for found in re.findall(r'<svg class="share-bar".*?</svg>', text)]
    found = glance(scope=seasons.scopes["managerA"])
    assert len(bars) == len(found.seasons) == 2
    for bar, season in zip(bars, found.seasons, strict=True):
        counted = {name: getattr(season, name) for name in ("beyond", "watch", "within")}
        parts = {each.get("class").removeprefix("part-"): each for each in bar}
        assert list(parts) == [name for name, count in counted.items() if count]
        at = 0.0
        for name, part in parts.items():
            assert float(part.get("x")) == pytest.approx(at, abs=0.02)
            length = float(part.get("width"))
            assert length / 140 == pytest.approx(counted[name] / season.total, abs=1e-3)
            assert part.get("fill") == ("url(#to-watch)" if name == "watch" else None)
            at += length
        for words in (f"{season.beyond} beyond", f"{season.watch} to watch", str(season.year)):
            assert words in bar.get("aria-label")
    assert {season.beyond for season in found.seasons} == {0, 2}
    assert "<meter" not in text


def test_the_page_chooses_orders_and_pages(seasons):
    client = signed_in(seasons.users["managerA"])
    serials = {}
    for query in ("", "order=serial", "verdict=beyond", "lot=L1", "lot=none", "model=999",
                  "page=77", "order=x&page=x&model=x&verdict=x"):  # fmt: skip
        rows = client.get(f"{reverse(GLANCE)}?{query}").context["rows"]
        serials[query] = [row["sensor"].serial for row in rows]
    assert serials["order=serial"] == sorted(serials[""])
    assert "S-A2" in serials["verdict=beyond"]
    assert "S-A1" not in serials["verdict=beyond"]
    assert serials["model=999"] == []
    assert serials["page=77"] == serials[""] == serials["order=x&page=x&model=x&verdict=x"]
    assert set(serials["lot=L1"]) == set(serials[""])
    assert serials["lot=none"] == []
    text = client.get(reverse(GLANCE)).content.decode()
    assert "S-B1" not in text


def test_a_cell_shows_what_its_verdict_rests_on(seasons):
    """A cell whose zero moved by 8 % of rated load and whose slope stayed."""
    seasons.season("A2b", 2025)
    seasons.season("A2b", 2026, points=(PointDraft(0, 24000), PointDraft(100, 34000)))
    answer = signed_in(seasons.users["managerA"]).get(reverse(GLANCE))
    rows = {row["sensor"].serial: row for row in answer.context["rows"]}
    unit = seasons.dealers["A"].load_unit
    for serial, which in (("S-A2b", "offset"), ("S-A2", "slope")):
        cell = rows[serial]["cells"][0]
        last = Judgement.objects.get(calibration__sensor__serial=serial, season=2026)
        assert (cell["season"], cell["verdict"], last.verdict) == (2026, "beyond", "beyond")
        size, written = cell["change"].split(" ")
        if which == "offset":
            assert written == unit
            assert float(size) * units.LOAD[unit] == pytest.approx(
                last.expected_offset_change, rel=0.01
            )
            assert abs(last.expected_slope_change_pct) < last.slope_tolerance_pct
        else:
            assert written == "%"
            assert float(size) == pytest.approx(last.expected_slope_change_pct, rel=0.05)
    assert "or that of offset in a load unit" in answer.content.decode()


def queries(client, url) -> int:
    with CaptureQueriesContext(connection) as asked:
        assert client.get(url).status_code == 200
    return len(asked)


def test_queries_do_not_grow_with_the_fleet(seasons):
    client = signed_in(seasons.users["managerA"])
    urls = [reverse(GLANCE), reverse(LOTS)]
    before = [queries(client, url) for url in urls]
    for number, letter in enumerate("cdefgh"):
        seasons.add_sensor(f"A1{letter}", lot=f"M{number % 2}")
        drifted(seasons, f"A1{letter}", 10000 + 300 * number)
    assert [queries(client, url) for url in urls] == before
    assert max(before) <= 12


def test_all_models_at_once_are_each_by_itself(seasons):
    (one,) = fleetwide.reliability_of_all(scope=SYSTEM, now=NOW)
    assert one == fleetwide.reliability(SensorModel.objects.get(), scope=SYSTEM, now=NOW)


def test_lots_and_the_models_page_say_share_and_interval(seasons):
    client = signed_in(seasons.users["managerA"])
    text = client.get(reverse(LOTS)).content.decode()
    assert "LC-500" in text
    assert "365 days" in text
    model = SensorModel.objects.get()
    text = client.get(page(model, "change", model.pk)).content.decode()
    says = fleetwide.reliability(model, scope=seasons.scopes["managerA"], now=NOW)["says"]
    assert says in text
    assert "In-tolerance probability of LC-500" in text


def test_the_curve_is_drawn_with_its_numbers_in_words():
    curve = [charts.Share(0, 1, 1, 1), charts.Share(300, 0.95, 0.9, 0.98)]
    plot = charts.curve_plot(curve, target=0.9, day=365.0, title="How long & well")
    root = ET.fromstring(plot)
    words = [item.text for item in root.iter() if item.text]
    assert "How long & well" in words
    assert "target 90 %, interval 365 days; 100.0 % after 0 days; 95.0 % after 300 days" in words
    assert charts.curve_plot([], target=0.9, day=365.0, title="nothing") == ""


def test_a_stranger_and_another_role(seasons):
    for name in ("reviewer", "admin", "techB"):
        client = signed_in(seasons.users[name])
        for url in (reverse(GLANCE), reverse(LOTS)):
            assert client.get(url).status_code == 200
    text = signed_in(seasons.users["reviewer"]).get(reverse(GLANCE)).content.decode()
    assert "S-B1" in text
    assert "S-A1" in text


def test_capitals_hide_no_name(world):
    world.customers["A1"].name = "ŁÓDŹ Rolna"
    world.customers["A1"].save()
    client = signed_in(world.users["managerA"])
    for asked in ("łódź", "ŁÓDŹ", "Łódź rol"):
        found = client.get(page(type(world.customers["A1"]), "changelist"), {"q": asked})
        assert [row.name for row in found.context["cl"].result_list] == ["ŁÓDŹ Rolna"], asked
        machines = client.get(page(type(world.machines["A1"]), "changelist"), {"q": asked})
        assert {row.serial for row in machines.context["cl"].result_list} == {"M-A1"}, asked
