"""One calibration on the screen, on paper and from the API: the same digits, by GUM 7.2.6.

JCGM 100:2008, 7.2.6: an uncertainty with at most two significant digits, the estimate rounded to
be consistent with it. The examples are the guide's own (from memory); the rule is written here
once more with decimals, independent of the program's.
"""

import re
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Decimal
from html import unescape

import pytest
from rest_framework.test import APIClient

from calibration import documents, readout
from calibration.admin.weights import magnitude
from calibration.documents.flag_words import flag_words
from calibration.models import DriftFlag, TolerancePolicy
from calibration.records import PointDraft
from calibration.rounding import rounded, with_uncertainty
from tests.calibration.documents_text import text_of
from tests.conftest import NOW
from tests.desk import page, signed_in, without_files


def by_decimals(value: float, u: float) -> tuple[str, str]:
    """Return value and uncertainty to two digits of the uncertainty."""
    spread = Decimal(repr(u))
    step = Decimal(1).scaleb(spread.adjusted() - 1)
    spread = spread.quantize(step, ROUND_HALF_EVEN)
    step = Decimal(1).scaleb(spread.adjusted() - 1)  # 0.0996 has become 0.10
    shown = [number.quantize(step, ROUND_HALF_EVEN) for number in (Decimal(repr(value)), spread)]
    return f"{shown[0]:f}", f"{shown[1]:f}"


@pytest.mark.golden
@pytest.mark.parametrize(
    ("value", "u", "said"),
    [
        (10.05762, 0.027, "10.058 ± 0.027"),  # "10,057 62 ohm with 27 mohm: 10,058 ohm"
        (100.02147, 0.00035, "100.02147 ± 0.00035"),  # the mass of 7.2.2
        (5.0, 0.0996, "5.00 ± 0.10"),
        (12345.6, 123.4, "12350 ± 120"),
        (-0.004, 0.21, "0.00 ± 0.21"),
    ],
)
def test_rounding_to_the_uncertainty(value, u, said):
    assert with_uncertainty(value, u) == said


@pytest.mark.parametrize("u", [0.0996, 0.0094, 1.0, 9.99, 0.31, 3.14159e-5])
@pytest.mark.parametrize("value", [0.123456789, 98.7654321, -3.00051])
def test_the_rule_agrees_with_decimals(value, u):
    assert (rounded(value, u), rounded(u, u)) == by_decimals(value, u)


def test_screen_paper_and_api_show_the_same_digits(world, settings):
    without_files(settings)
    world.season("A1", 2025)
    points = (PointDraft(0, 20013), PointDraft(50, 25221.7), PointDraft(97.3, 30240))
    when = datetime(2026, 3, 10, 9, 0, tzinfo=UTC)
    row = world.season("A1", 2026, points=points, performed_at=when).calibration
    client = APIClient()
    client.force_authenticate(world.users["techA"])
    answer = client.get(f"/api/v1/calibrations/{row.pk}/").json()
    fit, change = answer["fit"], answer["against_previous"]
    pairs = [
        by_decimals(fit["slope"], fit["u_slope"]),
        by_decimals(fit["offset"], fit["u_offset"]),
        by_decimals(change["slope_change_pct"], change["u_slope_change_pct"]),
        by_decimals(change["offset_change"], change["u_offset_change"]),
    ]
    desk = signed_in(world.users["techA"])
    screen = unescape(desk.get(page(row, "change", row.pk)).content.decode())
    sensor = unescape(desk.get(page(row.sensor, "change", row.sensor_id)).content.decode())
    for value, u in pairs:
        assert f"{value} ± {u}" in screen, (value, u)
        assert f"{value} ± {u}" in sensor, (value, u)
    pdf = text_of(documents.certificate(row, scope=world.scopes["techA"], now=NOW))
    paper = re.sub(r"\s+", " ", pdf)
    for value, u in pairs:
        assert value in paper, value
        assert u in paper, u
    for value, _ in pairs[2:]:
        assert value.startswith("-") or f"+{value}" in paper, value


def test_points_lie_off_the_line_by_the_same_digits_on_screen_and_paper(world, settings):
    without_files(settings)
    points = (PointDraft(0, 20013), PointDraft(50, 25025), PointDraft(97.3, 29747))
    row = world.season("A1", 2026, points=points, temperature_c=11.5).calibration
    scope = world.scopes["techA"]
    results = documents.certificate_data(row, scope=scope, now=NOW, link="")["results"]
    desk = signed_in(world.users["techA"])
    screen = unescape(desk.get(page(row, "change", row.pk)).content.decode())
    for point in results["points"]:
        off = point["residual_load"]["text"]
        assert f">{off} daN</td>" in screen, off
        assert float(point["reading"]) - float(point["on_line"]["text"]) == pytest.approx(
            float(point["residual"]["text"]), abs=1.0
        )
    assert "11.5 °C" in screen


@pytest.mark.parametrize(
    ("kind", "value", "screen", "paper"),
    [
        ("slope", -3.7, "-3.70 % (tolerance 3 %)", "slope changed by -3.70 %, tolerance 3 %"),
        ("slope", 21.416, "+21.42 % (tolerance 3 %)", "slope changed by +21.42 %, tolerance 3 %"),
        ("slope", -199.49, "-199.5 % (", "slope changed by -199.5 %"),
        ("lot", 33.333, "33.3 % of its lot found out (siblings 3.0 %)", "33.3 % found out"),
    ],
)
def test_a_flag_has_the_same_digits_on_screen_and_paper(world, kind, value, screen, paper):
    row = DriftFlag(sensor=world.sensors["A1"], kind=kind, magnitude=value, tolerance=3.0)
    assert screen in magnitude(row)
    assert paper in flag_words(kind, value, 3.0)


def test_a_flag_of_a_record_is_beyond_only_where_that_was_measured(world, settings):
    without_files(settings)
    row = world.season("A1", 2026).calibration
    for kind in ("reference", "slope"):
        DriftFlag.objects.create(
            sensor=row.sensor, calibration=row, kind=kind, level="beyond", magnitude=6.5,
            tolerance=3.0, opened_at=NOW,
        )  # fmt: skip
    desk = signed_in(world.users["techA"])
    screen = desk.get(page(row, "change", row.pk)).content.decode()
    assert "reference</a>: open" in screen
    assert "slope</a>: beyond, open" in screen
    assert "slope (beyond)" in screen
    assert "reference (beyond)" not in screen


def test_nothing_is_felt_by_numbers_that_are_in_doubt(world, settings):
    """Typed as lbf what was daN: what stood on the wheel is not known from that."""
    without_files(settings)
    TolerancePolicy.objects.create(setpoints=[50, 100], load_unit="daN")
    for year in (2023, 2024, 2025):
        world.season("A1", year)
    typed = (PointDraft(0, 20000), PointDraft(100, 30000))
    wrong = world.season("A1", 2026, points=typed, load_unit="lbf").calibration
    good = world.season("A2", 2025) and world.season("A2", 2026).calibration
    desk, scope = signed_in(world.users["techA"]), world.scopes["techA"]
    for row, is_told in ((good, True), (wrong, False)):
        screen = desk.get(page(row, "change", row.pk)).content.decode()
        assert ("In doubt" not in screen) is is_told
        assert ("What the operator felt" in screen) is is_told
        data = documents.certificate_data(row, scope=scope, now=NOW, link="")
        assert bool(data["results"]["setpoints"]) is is_told
        steps = {step["step"] for step in readout.calibration_answer(row, scope)["explain"]}
        assert ("felt" in steps) is is_told
