"""The register's forms in a browser: entering, installing, replacing; empty forms refuse."""

import re
from datetime import UTC, datetime, timedelta
from urllib.parse import quote, urljoin

import pytest
from django.contrib import admin
from django.urls import reverse

from tests.browser.driving import BROWSER, DESK, PHONE, Visitor

pytestmark = BROWSER

MODEL, CELL = "Veltrup Garda 8", "Kessim KP-250"
TODAY = datetime.now(UTC).date()


def enter_sensor(visitor: Visitor, serial: str) -> None:
    visitor.go("/admin/fleet/sensor/add/")
    choose_dealer(visitor)
    visitor.page.fill("#id_serial", serial)
    visitor.choose("model", CELL)
    visitor.save()
    assert serial in visitor.said()


def choose_dealer(visitor: Visitor) -> None:
    """Choose the dealer, where that is not clear."""
    option = visitor.page.locator("#id_dealer option", has_text="KLON").get_attribute("value")
    visitor.page.select_option("#id_dealer", option)


def enter_machine(visitor: Visitor, customer: str, serial: str) -> None:
    visitor.go("/admin/fleet/machine/add/")
    visitor.choose("customer", customer)
    visitor.choose("model", MODEL)
    visitor.page.fill("#id_serial", serial)
    visitor.save()
    assert serial in visitor.said()


def install(visitor: Visitor, sensor: str, machine: str) -> None:
    visitor.go("/admin/fleet/installation/add/")
    visitor.choose("sensor", sensor)
    visitor.choose("machine", machine)
    visitor.page.fill("#id_position", "row 2")
    visitor.page.fill("#id_installed_on", (TODAY - timedelta(days=3)).isoformat())


@pytest.mark.parametrize(("name", "width"), [("jagoda", PHONE), ("halina", DESK), ("adela", DESK)])
def test_a_machine_is_entered_with_its_sensor_which_is_then_replaced(visit, name, width):
    visitor = visit(name, width)
    page, tag = visitor.page, name.upper()
    customer = "Jarzębiec" if name == "jagoda" else f"Folwark {tag}"
    if name != "jagoda":  # customers are managers' to enter
        visitor.go("/admin/fleet/customer/add/")
        choose_dealer(visitor)
        page.fill("#id_name", customer)
        with page.expect_navigation():
            page.dblclick("input[name=_save]")
        assert customer in visitor.said()
        assert kept(visitor, f"/admin/fleet/customer/?q={quote(customer)}").endswith(" 1 customer")
    enter_machine(visitor, customer, f"VG8-{tag}")
    for serial in (f"KP25-{tag}-1", f"KP25-{tag}-2"):
        enter_sensor(visitor, serial)
    install(visitor, f"KP25-{tag}-1", f"VG8-{tag}")
    page.click("#id_machine + .select2")
    page.wait_for_selector(".select2-results__option--highlighted")
    visitor.holds()  # with the list of machines open
    page.keyboard.press("Escape")
    visitor.save()
    assert f"KP25-{tag}-1" in visitor.said()
    replace(visitor, f"KP25-{tag}-1", f"KP25-{tag}-2")
    visitor.go(f"/admin/fleet/machine/?q=VG8-{tag}")
    visitor.click(f"VG8-{tag}", "link")
    sits = page.get_by_role("region", name="Positions").locator("tbody tr")
    assert sits.count() == 1
    # Cells of a table, or lines of a card where the page is narrow.
    assert re.split(r"[\t\n]+", sits.inner_text())[:2] == ["row 2", f"KP25-{tag}-2"]
    visitor.holds()


def replace(visitor: Visitor, old: str, new: str) -> None:
    """Put another sensor in a place, from the sensor's page; what is wrong is refused first."""
    page = visitor.page
    visitor.go(f"/admin/fleet/sensor/?q={old}")
    visitor.click(old, "link")
    visitor.click("Replace this sensor", "link")
    for typed, day, field, words in (
        ("NOBODY-1", TODAY, "sensor", "No sensor 'NOBODY-1'"),
        (old, TODAY, "sensor", ""),
    ):
        page.fill("#id_sensor", typed)
        page.fill("#id_on", day.isoformat())
        visitor.click(f"Replace {old}")
        assert words in visitor.beside(field)
        assert visitor.beside(field)
        assert page.input_value("#id_sensor") == typed
    visitor.holds()
    page.fill("#id_sensor", new)
    page.fill("#id_on", (TODAY + timedelta(days=9)).isoformat())
    visitor.click(f"Replace {old}")
    assert "that day is to come" in page.inner_text("#content-main")
    assert page.input_value("#id_sensor") == new
    page.fill("#id_on", TODAY.isoformat())
    page.dblclick(f"button:has-text('Replace {old}')", no_wait_after=True)
    page.wait_for_selector(".messagelist")
    assert f"{new} sits at row 2 now." in visitor.said()
    visitor.holds()


EMPTY = """form => {
  form.noValidate = true;  // the browser itself would not send it
  for (const field of form.querySelectorAll("input:not([type=hidden],[type=submit])"))
    field.value = "";
}"""


def kept(visitor: Visitor, path: str) -> str:
    """Return how many rows a list says that there are, without opening it in the browser."""
    text = visitor.page.request.get(urljoin(visitor.address, path)).text()
    found = re.search(r'class="paginator".*?</(?:p|nav)>', text, re.DOTALL)
    assert found, path
    return " ".join(re.sub("<[^>]+>", " ", found[0]).split())


@pytest.mark.parametrize(("name", "least"), [("jagoda", 3), ("halina", 9), ("adela", 11)])
def test_an_empty_form_says_at_each_field_what_is_missing_and_stores_nothing(visit, name, least):
    """Every form of Django's own with which this person may enter a row."""
    visitor = visit(name)
    page, wrong, tried = visitor.page, [], 0
    for model in admin.site._registry:
        of = f"admin:{model._meta.app_label}_{model._meta.model_name}"
        door, rows = reverse(f"{of}_add"), reverse(f"{of}_changelist")
        if page.request.get(urljoin(visitor.address, door)).status != 200:
            continue
        visitor.go(door)
        form = page.locator("#content-main form[id$=_form]")
        if not form.count():
            continue  # one of ours, with tests of its own
        before = kept(visitor, rows)
        form.evaluate(EMPTY)
        visitor.save()
        if not page.locator("#content-main .errorlist:not(.nonfield)").count():
            wrong.append(f"{door}: an empty form was taken")
        wrong += visitor.hold()
        if kept(visitor, rows) != before:
            wrong.append(f"{door}: an empty form was stored")
        tried += 1
    assert wrong == []
    assert tried >= least
