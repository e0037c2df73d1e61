"""Flags in a browser, as each role: looked at, given away, joined, parted, closed, once."""

from typing import Any

import pytest

from tests.browser.driving import BROWSER, Visitor

pytestmark = BROWSER

FLAGS = "/admin/calibration/driftflag/"


def rows(visitor: Visitor, asked: str, cause: str) -> Any:
    """Open the list; return its rows in which the cause is named."""
    visitor.go(FLAGS + asked)
    return visitor.page.locator("#result_list tbody tr", has_text=cause)


def choose(visitor: Visitor, listed: Any, action: str, count: int) -> None:
    """Choose the first of some rows and what to do with them; see what is asked before."""
    for number in range(count):
        listed.nth(number).locator("input.action-select").check()
    visitor.page.select_option("select[name=action]", action)
    with visitor.page.expect_navigation():
        visitor.page.click("button[name=index]")
    visitor.holds()


# Each decides about other flags of the demo, so that nobody finds them decided.
@pytest.mark.parametrize(
    ("name", "asked", "cause"),
    [("jagoda", "?q=KP25", "cable swapped"), ("halina", "?kind__exact=slope", "ageing"),
     ("adela", "?kind__exact=slope&q=KP25-3", "ageing")],
)  # fmt: skip
def test_flags_are_joined_parted_and_decided(visit, name, asked, cause):
    visitor = visit(name)
    page = visitor.page
    listed = rows(visitor, asked, cause)
    assert listed.count() >= 4
    serial = listed.first.locator("th, .field-sensor").last.inner_text()
    # A family of three.
    choose(visitor, listed, "merge_chosen", 3)
    assert "3 flags will be joined into one matter" in page.inner_text("#content-main")
    page.fill("#id_cause", "x")
    visitor.click("Join 3 flags")
    assert "3 to 200 characters" in visitor.beside("cause")
    assert page.input_value("#id_cause") == "x"
    page.fill("#id_cause", f"what {name} thinks it is")
    visitor.click("Join 3 flags")
    assert "joined into one matter" in visitor.said()
    # One leaves it; the others are decided together, from the page of one of them.
    family = page.locator("#result_list tbody tr", has_text=f"what {name} thinks it is")
    assert family.count() == 3
    with page.expect_navigation():
        family.first.locator("th a").first.click()
    assert "One matter with 2 others" in page.inner_text("#content-main")
    visitor.holds()
    visitor.click("Take this flag out")
    assert "1 flag is out of the family" in visitor.said()
    assert serial in visitor.said()
    family = rows(visitor, asked, f"what {name} thinks it is")
    with page.expect_navigation():
        family.first.locator("th a").first.click()
    decide(visitor, 2)
    visitor.click("See them as a list", "link")
    closed = page.locator("#result_list tbody tr .field-status", has_text="closed")
    assert closed.count() == 2
    # The rest one after the other from the list.
    decide_from_the_list(visitor, asked, cause)


def decide(visitor: Visitor, count: int) -> None:
    """Acknowledge, give away and close a family, on the page of one of its flags."""
    page = visitor.page
    visitor.click("Acknowledge: I look into it")
    assert f"{count} flags are acknowledged" in visitor.said()
    page.select_option("#id_person", label=visitor.name)
    visitor.click("Note who sees to it")
    assert f"{count} flags are given to {visitor.name}" in visitor.said()
    page.fill("#id_reason", "no")
    visitor.click("Close the flag")
    assert "3 to 200 characters" in visitor.beside("reason")
    assert page.input_value("#id_reason") == "no"
    visitor.holds()
    page.fill("#id_reason", "replaced under warranty")
    visitor.click("Close the flag")
    assert f"{count} flags are closed" in visitor.said()
    assert "replaced under warranty" in page.inner_text("#content-main")
    assert page.get_by_role("button", name="Close the flag").count() == 0
    visitor.holds()


def decide_from_the_list(visitor: Visitor, asked: str, cause: str) -> None:
    page = visitor.page
    for action, field, typed, button, done in (
        ("acknowledge_chosen", "", "", "Acknowledge 2 flags", "2 flags are acknowledged"),
        ("assign_chosen", "person", visitor.name, "Give away 2 flags", "2 flags are given"),
        ("close_chosen", "reason", "as expected", "Close 2 flags", "2 flags are closed"),
    ):
        choose(visitor, rows(visitor, asked, cause), action, 2)
        if field == "person":
            page.select_option("#id_person", label=typed)
        elif field:
            page.fill(f"#id_{field}", typed)
        visitor.click(button)
        assert done in visitor.said()


def test_a_reviewer_reads_a_flag_and_decides_nothing(visit):
    visitor = visit("imre")
    page = visitor.page
    visitor.go(FLAGS)
    assert page.locator("select[name=action] option[value]:not([value=''])").count() == 0
    with page.expect_navigation():
        page.locator("#result_list tbody th a").first.click()
    assert "Why, and what to check" in page.inner_text("#content-main")
    assert page.locator("#content-main form").count() == 0
    visitor.holds()


@pytest.mark.parametrize("name", ["jagoda", "halina", "imre", "adela"])
def test_filters_are_kept_as_a_link_and_dropped(visit, name):
    visitor = visit(name)
    page = visitor.page
    visitor.go(FLAGS + "?level__exact=beyond")
    page.click("text=Keep these filters as a link")
    page.fill("#look-name", "the worst")
    visitor.click("Keep")
    assert "Kept as 'the worst'." in visitor.said()
    visitor.holds()
    visitor.go(FLAGS)
    visitor.click("the worst", "link")
    assert page.url.endswith("?level__exact=beyond")
    visitor.click("Drop the link the worst")
    assert page.get_by_role("link", name="the worst").count() == 0
