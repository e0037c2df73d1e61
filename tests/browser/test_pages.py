"""Every page of the desk, as each role: what it must hold; a drifted sensor in three clicks."""

import pytest

from tests.browser.driving import BROWSER, DESK, PHONE, Visitor

pytestmark = BROWSER

FORMS = ["/admin/calibration/calibration/add/", "/admin/calibration/functionaltest/add/"]
HIDDEN = """() => [...document.querySelectorAll(".scroll, .results")]
  .filter(each => each.scrollWidth > each.clientWidth).map(each => each.ariaLabel)"""
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
    more = [
        "/admin/fleet/sensor/glance/", "/admin/fleet/sensormodel/lots/",
        "/admin/calibration/duestate/",
    ]  # fmt: skip
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


@pytest.mark.parametrize(
    ("name", "width", "path"),
    [("jagoda", PHONE, "/admin/"), ("halina", DESK, "/admin/fleet/change/"),
     ("halina", DESK, "/admin/fleet/sensor/?q=KP40-10914")],
)  # fmt: skip
def test_no_column_is_off_the_screen(visit, name, width, path):
    visitor = visit(name, width)
    visitor.go(path)
    if "?q=" in path:
        with visitor.page.expect_navigation():
            visitor.page.locator("#result_list tbody th a").first.click()
    assert visitor.page.evaluate(HIDDEN) == []


def test_the_newest_season_is_on_a_phones_screen_in_rows_of_one_line(visit):
    visitor = visit("jagoda", PHONE)
    visitor.go("/admin/fleet/sensor/glance/")
    heads = visitor.page.locator(".seasons thead th").all_inner_texts()
    years = [head for head in heads if head.isdigit()]
    assert years == sorted(years, reverse=True)
    cell = visitor.page.locator(".seasons tbody tr").first.locator("td").nth(1).bounding_box()
    assert cell["x"] + cell["width"] <= PHONE
    assert cell["height"] < 40


def test_an_opened_fold_holds_its_form(visit):
    visitor = visit("halina")
    visitor.go("/admin/fleet/customer/")
    with visitor.page.expect_navigation():
        visitor.page.locator("#result_list tbody th a").first.click()
    visitor.page.click("details.fold summary")
    fold, form = (
        visitor.page.locator(each).bounding_box()
        for each in ("details.fold", "#customer_form .submit-row")
    )
    assert fold["y"] + fold["height"] >= form["y"] + form["height"]
    visitor.holds()


def test_a_printed_page_uses_the_papers_width(visit):
    visitor = visit("halina")
    visitor.go("/admin/")
    visitor.page.emulate_media(media="print")
    box = visitor.page.locator("#content .panel").first.bounding_box()
    assert box["width"] > 0.95 * DESK
    assert not visitor.page.locator("#nav-sidebar").is_visible()
    visitor.page.emulate_media(media="screen")
