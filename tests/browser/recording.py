"""What a technician types into the two entry forms, and how many records a sensor has."""

import re

from tests.browser.driving import Visitor

CALIBRATION, TEST = "calibration/calibration", "calibration/functionaltest"


def recorded(visitor: Visitor, serial: str, kind: str = CALIBRATION) -> int:
    """Return how many records of a sensor the list shows."""
    visitor.go(f"/admin/{kind}/?q={serial}")
    return int(visitor.page.locator("#result_list tbody tr").count())


def fill(visitor: Visitor, serial: str) -> None:
    """Type last time's points again, as the page shows them."""
    page = visitor.page
    page.fill("#id_sensor", serial)
    page.wait_for_selector("[data-beside] h3")
    said = page.inner_text("[data-beside]")
    points = re.search(r"(\S+) count at 0 \w+; (\S+) count at (\S+) (\w+)", said)
    assert points, said
    zero, span, load, unit = points.groups()
    page.select_option("#id_load_unit", unit)
    for name, value in (
        ("0-load", "0"),
        ("0-reading", zero),
        ("1-load", load),
        ("1-reading", span),
    ):
        page.fill(f"#id_points-{name}", value)


def fill_test(visitor: Visitor, serial: str) -> None:
    """Type a sound test: the display shows what was commanded, the pressure rises with it."""
    page = visitor.page
    page.fill("#id_sensor", serial)
    page.select_option("#id_load_unit", "daN")
    page.select_option("#id_pressure_unit", "bar")
    for row, (commanded, displayed, pressure) in enumerate(((80, 80.5, 70), (140, 139.5, 110))):
        page.fill(f"#id_steps-{row}-commanded", str(commanded))
        page.fill(f"#id_steps-{row}-displayed_mean", str(displayed))
        page.fill(f"#id_steps-{row}-pressure", str(pressure))
