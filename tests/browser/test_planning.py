"""Visits and the season's plan in a browser: moved, given away, called off, entered by hand."""

from datetime import UTC, datetime, timedelta

import pytest

from tests.browser.driving import BROWSER, DESK, PHONE, Visitor

pytestmark = BROWSER

VISITS = "/admin/calibration/visit/"
SOON = datetime.now(UTC).date() + timedelta(days=20)
SUNDAY, WEDNESDAY = (SOON + timedelta(days=(day - SOON.weekday()) % 7) for day in (6, 2))


def open_visit(visitor: Visitor, number: int = 0) -> str:
    """Open the page of one of the last visits that are planned; return its address."""
    visitor.go(VISITS + "?status__exact=planned&o=-1")
    with visitor.page.expect_navigation():
        visitor.page.locator("#result_list tbody tr").nth(number).locator("th a").click()
    return str(visitor.page.url)


def asked_back(visitor: Visitor, field: str, words: str) -> None:
    """Send the form; see that it is refused, with the reason at its field."""
    visitor.save()
    assert words in visitor.beside(field), visitor.page.inner_text("#content-main")
    visitor.holds()


def save_anyway(visitor: Visitor) -> None:
    """Send the form; where the day is a holiday, say that somebody goes there all the same."""
    visitor.save()
    closed = visitor.page.locator("#id_although_closed")
    if closed.count():
        closed.check()
        visitor.save()


@pytest.mark.parametrize(("name", "number"), [("halina", 0), ("adela", 3)])
def test_a_visit_is_moved_given_away_and_called_off(visit, name, number):
    visitor = visit(name)
    page = visitor.page
    here = open_visit(visitor, number)
    page.fill("#id_planned_on", "2020-02-05")
    page.fill("#id_note", "gate code 4711")
    asked_back(visitor, "planned_on", "That day has passed")
    assert page.input_value("#id_planned_on") == "2020-02-05"
    assert page.input_value("#id_note") == "gate code 4711"
    page.fill("#id_planned_on", SUNDAY.isoformat())
    asked_back(visitor, "planned_on", "Sunday")
    page.check("#id_although_closed")
    visitor.save()
    assert SUNDAY.isoformat() in visitor.said()
    visitor.go(here)
    assert page.input_value("#id_note") == "gate code 4711"
    page.fill("#id_planned_on", WEDNESDAY.isoformat())
    page.select_option("#id_status", "confirmed")
    save_anyway(visitor)
    visitor.go(here)
    assert page.input_value("#id_planned_on") == WEDNESDAY.isoformat()
    page.select_option("#id_status", "cancelled")
    asked_back(visitor, "cancel_reason", "")
    assert visitor.beside("cancel_reason")
    page.fill("#id_cancel_reason", "the machine is sold")
    visitor.save()
    visitor.go(here)
    assert page.input_value("#id_status") == "cancelled"
    assert page.input_value("#id_cancel_reason") == "the machine is sold"
    visitor.holds()


def plan_by_hand(visitor: Visitor, customer: str) -> None:
    """Fill in the form of a new visit and send it."""
    visitor.go(f"{VISITS}add/")
    visitor.choose("customer", customer)
    visitor.choose("technician", "teodor")
    visitor.page.fill("#id_planned_on", WEDNESDAY.isoformat())
    visitor.holds()
    save_anyway(visitor)


@pytest.mark.parametrize(("name", "number"), [("halina", 5), ("adela", 7)])
def test_a_visit_is_entered_by_hand_where_no_other_one_holds_its_machines(visit, name, number):
    visitor = visit(name)
    page = visitor.page
    here = open_visit(visitor, number)
    customer = page.inner_text("h1").split(" on ")[0]
    serials = page.locator(".panel tbody th a").all_inner_texts()
    assert serials
    plan_by_hand(visitor, customer)
    assert "open visits already" in visitor.beside("customer")
    visitor.holds()
    visitor.go(here)
    page.select_option("#id_status", "cancelled")
    page.fill("#id_cancel_reason", "the yard is locked")
    visitor.save()
    plan_by_hand(visitor, customer)
    assert WEDNESDAY.isoformat() in visitor.said()
    for serial in serials:
        assert serial in visitor.said()


def test_a_technician_reads_a_visit_and_changes_nothing(visit):
    visitor = visit("jagoda", PHONE)
    open_visit(visitor)
    assert visitor.page.locator("input[name=_save]").count() == 0
    said = visitor.page.inner_text("#content")
    for words in ("Visit sheet, A4 (PDF)", "Cab card (PDF)", "Before anyone touches the machine"):
        assert words in said
    visitor.holds()


@pytest.mark.parametrize(("name", "width"), [("jagoda", PHONE), ("halina", DESK), ("adela", DESK)])
def test_how_far_the_season_is_is_found_from_home(visit, name, width):
    visitor = visit(name, width)
    visitor.go("/admin/")
    visitor.click("How far the season is", "link")
    if name == "adela":  # of several dealers there are several plans
        with visitor.page.expect_navigation():
            visitor.page.locator("#result_list tbody th a").first.click()
    said = visitor.page.inner_text("#content-main")
    for words in ("Ready now:", "Planned before it starts:", "Week of"):
        assert words in said
    visitor.holds()
