"""Accounts in a browser: entered with a role, a password set, who was entered signs in."""

import pytest

from tests.browser.driving import BROWSER, Visitor

pytestmark = BROWSER

FIRST, SECOND = "a first word to come in", "a second word, set by the manager"


def enter(visitor: Visitor, person: str) -> None:
    """Enter a technician of a dealer; what is wrong is refused first."""
    page = visitor.page
    visitor.go("/admin/fleet/user/add/")
    page.fill("#id_username", person)
    page.fill("#id_password1", FIRST)
    page.fill("#id_password2", "another")
    visitor.save()
    assert "match" in visitor.beside("password2")
    assert page.input_value("#id_username") == person
    visitor.holds()
    page.fill("#id_password1", FIRST)
    page.fill("#id_password2", FIRST)
    choose_role(visitor)
    visitor.save()
    assert person in visitor.said()


def choose_role(visitor: Visitor) -> None:
    page = visitor.page
    option = page.locator("#id_memberships-0-dealer option", has_text="KLON")
    page.select_option("#id_memberships-0-dealer", option.get_attribute("value"))
    page.select_option("#id_memberships-0-role", "technician")


@pytest.mark.parametrize("name", ["halina", "adela"])
def test_a_technician_is_entered_and_given_another_password(visit, name):
    visitor, person = visit(name), f"new-of-{name}"
    page = visitor.page
    enter(visitor, person)
    visitor.go(f"/admin/fleet/user/?q={person}")
    assert "technician klon" in page.inner_text("#result_list tbody").lower()
    with page.expect_navigation():
        page.locator("#result_list tbody th a").first.click()
    visitor.holds()
    with page.expect_navigation():
        page.locator("a[href$='password/']").first.click()
    visitor.holds()
    page.fill("#id_password1", SECOND)
    page.fill("#id_password2", SECOND)
    with page.expect_navigation():
        page.locator("#content-main input[type=submit]").first.click()
    new = visit("")
    new.sign_in(person, password=FIRST, expected="Please enter the correct")
    new.sign_in(person, password=SECOND)
    assert new.page.get_by_role("link", name="Record a calibration").count() == 1
