"""Every page of the desk, as each role: what it must hold; a drifted sensor in three clicks."""

import pytest

from tests.browser.driving import BROWSER, Visitor

pytestmark = BROWSER

FORMS = ["/admin/calibration/calibration/add/", "/admin/calibration/functionaltest/add/"]
LISTS = ["/admin/calibration/driftflag/", "/admin/fleet/sensor/", "/admin/fleet/sensor/glance/"]


def look(visitor: Visitor, path: str) -> list[str]:
    """Return what is wrong with the page at an address."""
    answer = visitor.go(path)
    return visitor.hold() + ([] if answer.status == 200 else [f"{path} answers {answer.status}"])


def look_around(visitor: Visitor) -> tuple[int, list[str]]:
    """Look at a page of each kind that this person finds by following links."""
    page, wrong, seen = visitor.page, [], 0
    visitor.go("/admin/")
    lists = page.eval_on_selector_all("#nav-sidebar a", "all => all.map(a => a.pathname)")
    more = ["/admin/fleet/sensor/glance/", "/admin/fleet/sensormodel/lots/"]
    for path in ["/admin/", *lists, *more]:
        wrong += look(visitor, path)
        first = page.locator("#result_list tbody th a").first
        row = first.evaluate("a => a.pathname") if first.count() else None
        wrong += look(visitor, row) if row else []
        seen += 2 if row else 1
    return seen, wrong


def test_every_page_that_a_manager_finds_holds(visit):
    seen, wrong = look_around(visit("halina"))
    assert wrong == []
    assert seen > 45


@pytest.mark.parametrize(
    ("name", "paths"),
    [("jagoda", FORMS), ("imre", LISTS),
     ("adela", ["/admin/fleet/user/", "/admin/calibration/scanrun/"])],
)  # fmt: skip
def test_pages_that_differ_by_role_hold_in_the_dark(visit, name, paths):
    visitor = visit(name, scheme="dark")
    wrong = [each for path in ["/admin/", *paths] for each in look(visitor, path)]
    assert wrong == []


@pytest.mark.parametrize("name", ["halina", "jagoda", "imre", "adela"])
def test_a_drifted_sensor_is_found_from_home_in_three_clicks(visit, name):
    visitor = visit(name)
    visitor.go("/admin/")
    visitor.page.locator("section", has_text="New flags").locator("tbody th a").first.click()
    visitor.page.wait_for_url("**/fleet/sensor/*/change/")
    text = visitor.page.inner_text("#content")
    assert "Beyond tolerance" in text
    assert "What probably happened" in text
    visitor.holds()
