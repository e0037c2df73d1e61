"""Calibrations and functional tests on a phone's screen, as each role that may record them."""

import pytest

from tests.browser.driving import BROWSER, PHONE, Visitor
from tests.browser.recording import TEST, fill, fill_test, recorded

pytestmark = BROWSER
JUDGED = "[data-judged]:not([hidden])"


def record_twice(visitor: Visitor) -> None:
    """Tap twice; what is stored is one record."""
    visitor.page.dblclick("button[name=_save]")
    visitor.page.wait_for_url("**/change/")
    assert "recorded, sealed and judged" in visitor.said()
    assert visitor.page.evaluate("document.documentElement.scrollWidth") <= PHONE


@pytest.mark.parametrize(
    ("name", "serial"),
    [("jagoda", "KP25-10111"), ("halina", "KP25-10113"), ("adela", "KP25-10114")],
)
def test_a_calibration_is_judged_as_typed_stored_once_and_corrected(visit, name, serial):
    visitor = visit(name, PHONE)
    page = visitor.page
    before = recorded(visitor, serial)
    visitor.go("/admin/")
    visitor.click("Record a calibration", "link")
    fill(visitor, serial)
    page.wait_for_selector(JUDGED)
    assert "Within tolerance" in page.inner_text("[data-judged]")
    visitor.holds()
    visitor.click("Judge it first")  # the same without a script of ours
    page.wait_for_selector("#answer")
    assert "Within tolerance" in page.inner_text("#answer")
    record_twice(visitor)
    visitor.holds()
    visitor.click("Replace by a corrected record", "link")
    page.fill("#id_points-0-reading", str(float(page.input_value("#id_points-0-reading")) + 1))
    page.fill("#id_supersede_reason", "the last digit was read wrongly")
    record_twice(visitor)
    assert "the last digit was read wrongly" in page.inner_text("#content-main")
    visitor.click("an earlier record", "link")
    assert "Replaced by" in page.inner_text("#content-main")
    assert recorded(visitor, serial) == before + 2


@pytest.mark.parametrize(
    ("name", "serial"),
    [("jagoda", "KP25-10121"), ("halina", "KP25-10122"), ("adela", "KP25-10123")],
)
def test_a_functional_test_is_judged_as_typed_and_stored_once(visit, name, serial):
    visitor = visit(name, PHONE)
    page = visitor.page
    before = recorded(visitor, serial, TEST)
    visitor.go("/admin/")
    visitor.click("Record a functional test", "link")
    fill_test(visitor, serial)
    page.wait_for_selector(JUDGED)
    assert "Largest error at a setpoint: 0.62 %" in page.inner_text("[data-judged]")  # 0.5 of 80
    visitor.holds()
    visitor.click("Judge it first")
    page.wait_for_selector("#answer")
    assert "Largest error at a setpoint: 0.62 %" in page.inner_text("#answer")
    record_twice(visitor)
    visitor.holds()
    assert recorded(visitor, serial, TEST) == before + 1


WRONG = {
    "sensor": ("NOBODY-1", "No sensor 'NOBODY-1' at your dealers"),
    "points-1-reading": ("12x", "Not a number. Accepted: digits with a decimal point"),
    "performed_at": ("2099-03-01 09:00", "future"),
}


def test_what_is_wrong_is_said_at_its_field_and_nothing_is_stored(visit):
    visitor = visit("jagoda", PHONE)
    page, serial = visitor.page, "KP25-10124"
    before = recorded(visitor, serial)
    visitor.go("/admin/calibration/calibration/add/")
    fill(visitor, serial)
    right = {name: page.input_value(f"#id_{name}") for name in WRONG}
    # With our script, and without it.
    for send, button in ((visitor.tap, "Record it"), (visitor.click, "Judge it first")):
        for name, (typed, _) in WRONG.items():
            page.fill(f"#id_{name}", typed)
        send(button)
        for name, (typed, words) in WRONG.items():
            page.wait_for_selector(f"#id_{name}[aria-invalid]")
            assert words in visitor.beside(name)
            assert page.input_value(f"#id_{name}") == typed
        assert "Not stored. The reasons stand at their fields." in page.inner_text("#content-main")
        visitor.holds()
    for name, typed in right.items():
        page.fill(f"#id_{name}", typed)
    assert page.input_value("#id_points-0-load") == "0"
    assert recorded(visit("halina", PHONE), serial) == before  # who looks meanwhile finds nothing
    record_twice(visitor)
    assert recorded(visitor, serial) == before + 1


def test_a_wrong_functional_test_is_refused_at_its_fields(visit):
    visitor = visit("jagoda", PHONE)
    page, serial = visitor.page, "KP25-10141"
    before = recorded(visitor, serial, TEST)
    visitor.go("/admin/calibration/functionaltest/add/")
    fill_test(visitor, serial)
    page.fill("#id_steps-1-displayed_mean", "")
    page.fill("#id_steps-0-pressure", "much")
    visitor.tap("Record it")
    page.wait_for_selector("#id_steps-0-pressure[aria-invalid]")
    assert "Not a number" in visitor.beside("steps-0-pressure")
    assert visitor.beside("steps-1-displayed_mean")
    assert page.input_value("#id_steps-0-pressure") == "much"
    visitor.holds()
    assert recorded(visitor, serial, TEST) == before


def test_without_network_the_form_is_kept_and_stored_once_afterwards(visit):
    visitor = visit("jagoda", PHONE)
    page, serial = visitor.page, "KP25-10112"
    before = recorded(visitor, serial)
    visitor.go("/admin/calibration/calibration/add/")
    fill(visitor, serial)
    visitor.forgiven = "ERR_INTERNET_DISCONNECTED"
    page.context.set_offline(True)
    page.click("button[name=_save]")
    page.wait_for_selector("[data-kept]:not([hidden])")
    assert serial in page.inner_text("[data-kept]")
    visitor.holds()
    page.context.set_offline(False)
    page.wait_for_url("**/change/")
    assert recorded(visitor, serial) == before + 1
    assert page.evaluate("Object.values(localStorage).join('')") in {"{}", "", "auto{}", "{}auto"}


def test_what_is_nearly_certainly_wrong_takes_one_more_press(visit):
    visitor = visit("jagoda", PHONE)
    page, serial = visitor.page, "KP25-10113"
    before = recorded(visitor, serial)
    visitor.go("/admin/calibration/calibration/add/")
    fill(visitor, serial)
    load = float(page.input_value("#id_points-1-load"))
    page.fill("#id_points-1-load", f"{load * 10:g}")  # one digit too many
    page.wait_for_selector("[data-judged]:has-text('of the rated load')")
    page.dblclick("button[name=_save]")
    page.wait_for_selector("button:has-text('Store it all the same')")
    assert "cannot be changed" in page.inner_text("[data-told]")
    asked = page.locator("[data-judged] .errornote").bounding_box()
    assert 0 <= asked["y"] < page.viewport_size["height"]  # what is asked is in sight
    visitor.holds()
    page.fill("#id_points-1-load", f"{load * 10 + 1:g}")  # typed anew is asked anew
    assert page.inner_text("button[name=_save]") == "Record it"
    page.click("button[name=_save]:enabled")
    page.wait_for_selector("button:has-text('Store it all the same'):enabled")
    page.click("button[name=_save]")
    page.wait_for_url("**/change/")
    assert "of the rated load" in page.inner_text("#content-main")
    assert recorded(visitor, serial) == before + 1


ORDER = """() => {
  const at = {
    points: "#id_points-0-load", judged: "[data-judged]", circumstances: "#id_performed_at",
  };
  const top = name => document.querySelector(at[name]).getBoundingClientRect().top;
  return Object.keys(at).sort((a, b) => top(a) - top(b));
}"""


def test_the_verdict_and_what_is_wrong_stay_in_sight_while_the_points_are_typed(visit):
    visitor = visit("jagoda", PHONE)
    page = visitor.page
    height = page.viewport_size["height"]
    visitor.go("/admin/calibration/calibration/add/")
    fill(visitor, "KP25-10114")
    span = page.input_value("#id_points-1-reading")
    page.click("#id_points-1-reading")
    page.wait_for_selector("[data-brief] a")
    assert "within" in page.inner_text("[data-brief]")
    line = page.locator("[data-brief]").bounding_box()
    assert 0 < line["y"] < line["y"] + line["height"] <= height
    assert page.evaluate(ORDER) == ["points", "judged", "circumstances"]
    page.fill("#id_points-1-reading", span[:-1])  # a digit was dropped
    page.wait_for_selector("[data-problems] li")
    assert "rise with load" in page.inner_text("[data-problems]")
    assert page.inner_text("[data-brief]") == ""
    visitor.holds()
    visitor.click("Judge it first")
    page.wait_for_selector("#answer")
    assert "rise with load" in page.inner_text("#answer")
    # Opened where it is said, with the numbers that it is about.
    assert 0 < page.locator("#id_points-1-reading").bounding_box()["y"] < height
    assert 0 < page.locator("#answer").bounding_box()["y"] < height
    page.fill("#id_points-1-reading", span)
    page.wait_for_selector("[data-brief] a")
    assert page.inner_text("[data-problems]") == ""


def test_a_functional_tests_rows_fit_on_a_phone_and_say_their_units(visit):
    visitor = visit("jagoda", PHONE)
    page = visitor.page
    visitor.go("/admin/calibration/functionaltest/add/?sensor=KP25-10142")
    region = page.locator("[aria-label='Rows to fill']")
    assert region.evaluate("rows => rows.scrollWidth - rows.clientWidth") <= 0
    for name in ("commanded", "displayed_max", "pressure", "observed"):
        box = page.locator(f"#id_steps-0-{name}").bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= PHONE
    page.select_option("#id_load_unit", "kgf")
    label = page.locator("label[for=id_steps-1-displayed_min]")
    assert label.bounding_box()["height"] > 10  # seen, not for a screen reader alone
    assert label.inner_text().startswith("Lowest, kgf")
