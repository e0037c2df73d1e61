"""The doors in a browser: signing in, the second factor, tokens, as each role.

Codes come from an authenticator of our own (`tests/authenticator.py`, after RFC 6238).
"""

import base64
import time

import pytest

from tests import authenticator
from tests.browser.driving import BROWSER, PHONE, Visitor

pytestmark = BROWSER

SECOND_FACTOR, TOKENS = "/admin/second-factor/", "/admin/fleet/user/my-tokens/"
API = "/api/v1/sensors/?page_size=1"
BREATH = 1100  # ms: after a wrong code the next is not looked at for a second


class Authenticator:
    """Somebody's authenticator, which shows a code once (RFC 6238, 5.2) and for 30 seconds."""

    def __init__(self, key: str) -> None:
        text = key.replace(" ", "")
        self.key, self.step = base64.b32decode(text + "=" * (-len(text) % 8)), 0

    def code(self) -> str:
        """Return the code of now; asked again, the next one, which is accepted a step early."""
        self.step = max(self.step + 1, int(time.time() // 30))
        return authenticator.code(self.key, 30 * self.step)


def enrol(visitor: Visitor) -> tuple[Authenticator, list[str]]:
    """Set up a second factor; return the authenticator and the recovery codes."""
    page = visitor.page
    visitor.go("/admin/")
    visitor.click("Second factor", "link")
    app = Authenticator(page.inner_text("ol code"))
    page.fill("#id_code", app.code())
    visitor.click("Set it up")
    codes = page.locator(".codes code").all_inner_texts()
    assert len(codes) == 10
    return app, codes


@pytest.mark.parametrize("name", ["tekla", "wanda", "ilse", "oskar"])
def test_a_second_factor_is_set_up_asked_for_and_removed(visit, name):
    visitor = visit("")
    page = visitor.page
    visitor.sign_in(name)
    visitor.go(SECOND_FACTOR)
    visitor.holds()
    page.fill("#id_code", "000000")
    visitor.click("Set it up")
    assert "That is not the code" in visitor.beside("code")
    visitor.holds()
    page.wait_for_timeout(BREATH)
    app, codes = enrol(visitor)
    visitor.holds()
    visitor.click("I have kept them", "link")
    assert page.inner_text("h1") == "Today"
    # From another device: the password alone does not open.
    other = visit("", PHONE)
    other.sign_in(name, expected="Give the code that your authenticator shows, too.")
    assert other.page.input_value("#id_username") == name
    other.holds()
    other.sign_in(name, code=app.code())
    other.go(SECOND_FACTOR)
    assert "It is set up" in other.page.inner_text("#content-main")
    other.holds()
    other.page.fill("#id_code", codes[0])
    other.click("Make new recovery codes")
    fresh = other.page.locator(".codes code").all_inner_texts()
    assert not set(fresh) & set(codes)
    other.go(SECOND_FACTOR)
    other.page.fill("#id_code", codes[1])
    other.click("Remove the second factor")
    assert "was used already" in other.beside("code")
    other.page.wait_for_timeout(BREATH)
    other.page.fill("#id_code", fresh[0])
    other.click("Remove the second factor")
    assert "The second factor is removed" in other.said()
    third = visit("", PHONE)
    third.sign_in(name)


def test_an_administrator_helps_who_lost_the_authenticator(visit):
    lost = visit("")
    lost.sign_in("wanda")
    enrol(lost)
    visitor = visit("adela")
    visitor.go("/admin/fleet/user/?q=wanda")
    visitor.page.check("#result_list tbody input.action-select")
    visitor.page.select_option("select[name=action]", "remove_second_factor")
    with visitor.page.expect_navigation():
        visitor.page.click("button[name=index]")
    assert "1 row without a second factor now." in visitor.said()
    again = visit("")
    again.sign_in("wanda")


def test_a_wrong_password_is_told_and_what_was_typed_stays(visit):
    visitor = visit("", PHONE)
    visitor.go("/admin/login/")
    visitor.holds()
    visitor.sign_in("tekla", password="demo-halina", expected="Please enter the correct")
    assert visitor.page.input_value("#id_username") == "tekla"
    visitor.holds()
    visitor.sign_in("tekla")
    with visitor.page.expect_navigation():
        visitor.page.click("#logout-form button")
    visitor.holds()
    visitor.go("/admin/")
    assert visitor.page.url.endswith("/admin/login/?next=/admin/")


@pytest.mark.parametrize("name", ["jagoda", "halina", "imre", "adela"])
def test_a_token_is_made_shown_once_and_revoked(visit, name):
    visitor = visit(name)
    page = visitor.page
    visitor.go("/admin/")
    visitor.click("My tokens", "link")
    page.fill("#id_name", "   ")
    visitor.click("Make it")
    assert "Say what it is for" in visitor.beside("name")
    visitor.holds()
    page.fill("#id_name", f"tablet of {name}")
    visitor.click("Make it")
    token = page.inner_text("[role=status] .digest")
    visitor.holds()
    asked = {"headers": {"Authorization": f"Bearer {token}"}}
    assert page.request.get(visitor.address + API, **asked).status == 200
    visitor.go(TOKENS)
    assert token not in page.inner_text("#content-main")
    visitor.click(f"Revoke tablet of {name}")
    assert "The token is revoked." in visitor.said()
    assert page.request.get(visitor.address + API, **asked).status == 401
    assert page.get_by_role("button", name=f"Revoke tablet of {name}").count() == 0
