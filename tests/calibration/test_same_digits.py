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

from calibration import documents
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
