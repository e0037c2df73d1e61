"""The desk in a browser, as each role: what people do, and what every page must hold.

WCAG 2.2 AA is checked with axe-core (Deque Systems), of which a machine finds a part only.
The demo makes its own SQLite database, so these tests run in the SQLite run alone.
"""

import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
ROOT = Path(__file__).parents[2]
PHONE, SMALL, DESK = 390, 360, 1280

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="there is no Chromium here"),
    pytest.mark.skipif(not settings.EMBEDDED, reason="the demo is for SQLite"),
]


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Load the demo once, serve it."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with tempfile.TemporaryDirectory() as folder:
        env = os.environ | {"DATABASE_URL": f"sqlite:///{folder}/demo.sqlite3", "REDIS_URL": ""}
        command = [sys.executable, "-m", "tests.browser.serving", str(port)]
        server = subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True)
        try:
            assert server.stdout is not None
            assert any(line == "ready\n" for line in server.stdout), "the demo did not start"
            for _ in range(100):
                with socket.socket() as probe:
                    if probe.connect_ex(("127.0.0.1", port)) == 0:
                        break
                    probe.settimeout(0.1)
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()
            server.wait(20)
            if server.stdout is not None:
                server.stdout.close()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@dataclass
class Visitor:
    """Somebody signed in, and what the browser noticed meanwhile."""

    page: Any
    address: str
    errors: list[str] = field(default_factory=list)
    foreign: list[str] = field(default_factory=list)
    scripts: dict[str, int] = field(default_factory=dict)

    def go(self, path: str) -> Any:
        self.scripts.clear()
        return self.page.goto(self.address + path, wait_until="load")

    def heard(self, message: Any) -> None:
        if message.type == "error":
            self.errors.append(f"{self.page.url}: {message.text}")

    def asked(self, request: Any) -> None:
        if not request.url.startswith((self.address, "data:", "blob:")):
            self.foreign.append(request.url)

    def answered(self, response: Any) -> None:
        if "/static/spanbook/" in response.url and response.url.endswith(".js"):
            self.scripts[response.url] = len(response.body())


@pytest.fixture
def visit(address, chromium):
    """Return who signs in as the demo's people, each in a browser of their own."""
    contexts = []

    def sign_in(name: str, width: int = DESK, scheme: str = "light") -> Visitor:
        context = chromium.new_context(
            viewport={"width": width, "height": 844}, color_scheme=scheme
        )
        contexts.append(context)
        visitor = Visitor(context.new_page(), address)
        visitor.page.on("console", visitor.heard)
        visitor.page.on("pageerror", lambda error: visitor.errors.append(str(error)))
        visitor.page.on("request", visitor.asked)
        visitor.page.on("requestfinished", lambda request: visitor.answered(request.response()))
        visitor.go("/admin/login/")
        visitor.page.fill("#id_username", name)
        visitor.page.fill("#id_password", f"demo-{name}")
        visitor.page.click("input[type=submit]")
        return visitor

    yield sign_in
    for context in contexts:
        context.close()


def flagged(visitor: Visitor, cause: str) -> str:
    """Return the serial of the heaviest sensor whose likeliest cause is this."""
    visitor.go("/admin/calibration/driftflag/")
    row = visitor.page.locator("#result_list tbody tr", has_text=cause).first
    return str(row.locator(".field-sensor").inner_text()).strip()


def addresses(visitor: Visitor) -> list[str]:
    """Return a page of each kind that this person sees, found by following links."""
    page, found = visitor.page, ["/admin/", "/admin/fleet/user/my-tokens/"]
    visitor.go("/admin/")
    lists = page.eval_on_selector_all("#nav-sidebar a", "all => all.map(a => a.pathname)")
    found += lists
    for path in lists:
        visitor.go(path)
        first = page.locator("#result_list tbody th a").first
        if first.count():
            found.append(first.evaluate("a => a.pathname"))
    found += ["/admin/fleet/sensor/glance/", "/admin/fleet/sensormodel/lots/"]
    return list(dict.fromkeys(found))


def hold(visitor: Visitor, path: str) -> list[str]:
    """Return what is wrong with a page; print how long the server worked."""
    from axe_playwright_python.sync_playwright import Axe

    visitor.page.set_viewport_size({"width": DESK, "height": 844})
    answer, wrong = visitor.go(path), []
    queries, spent = (answer.headers[name] for name in ("x-queries", "x-milliseconds"))
    print(f"{path}: {queries} queries, {spent} ms", flush=True)
    if answer.status != 200:
        wrong.append(f"answers {answer.status}")
    if int(queries) > 12:
        wrong.append(f"{queries} queries")
    size = sum(visitor.scripts.values())
    if size > 60_000:
        wrong.append(f"{size} bytes of our scripts")
    noticed = len(visitor.errors)
    options = {"runOnly": {"type": "tag", "values": WCAG}}
    violations = Axe().run(visitor.page, options=options).response["violations"]
    del visitor.errors[noticed:]  # axe looks for the imports of style sheets beside the page
    for found in violations:
        where = [node["html"][:160] for node in found["nodes"][:2]]
        wrong.append(f"{found['id']}: {found['help']} {where}")
    visitor.page.set_viewport_size({"width": SMALL, "height": 740})
    wide = visitor.page.evaluate("document.documentElement.scrollWidth")
    if wide > SMALL:
        wrong.append(f"{wide} pixels wide on a screen of {SMALL}")
    for each in wrong:
        print(f"  {each}")
    return [f"{path}: {each}" for each in wrong]


FORMS = ["/admin/calibration/calibration/add/", "/admin/calibration/functionaltest/add/"]
LISTS = ["/admin/calibration/driftflag/", "/admin/fleet/sensor/", "/admin/fleet/sensor/glance/"]


@pytest.mark.parametrize(
    ("name", "scheme", "more"),
    [("halina", "light", []), ("jagoda", "dark", FORMS), ("imre", "dark", LISTS),
     ("adela", "light", ["/admin/fleet/user/", "/admin/calibration/scanrun/"])],
)  # fmt: skip
def test_every_page_holds(visit, name, scheme, more):
    """All pages as the manager, who sees most of them; as the others those that differ."""
    visitor = visit(name, scheme=scheme)
    paths = ["/admin/", *more] if more else addresses(visitor)
    if more:
        visitor.go("/admin/")
        first = visitor.page.locator("section", has_text="New flags").locator("tbody a").first
        paths.append(first.evaluate("a => a.pathname"))
    wrong = [each for path in paths for each in hold(visitor, path)]
    assert wrong == []
    assert visitor.errors == []
    assert visitor.foreign == []
    assert len(paths) > (3 if more else 25)


@pytest.mark.parametrize("name", ["halina", "jagoda", "imre", "adela"])
def test_a_drifted_sensor_is_found_from_home_in_three_clicks(visit, name):
    visitor = visit(name)
    visitor.go("/admin/")
    visitor.page.locator("section", has_text="New flags").locator("tbody th a").first.click()
    visitor.page.wait_for_url("**/fleet/sensor/*/change/")
    text = visitor.page.inner_text("#content")
    assert "Beyond tolerance" in text
    assert "What probably happened" in text
    assert visitor.errors == []


def recorded(visitor: Visitor, serial: str) -> int:
    """Return how many calibrations of a sensor the list shows."""
    visitor.go(f"/admin/calibration/calibration/?q={serial}")
    return int(visitor.page.locator("#result_list tbody tr").count())


def fill(visitor: Visitor, serial: str) -> None:
    """Type last time's points again, as the page shows them."""
    page = visitor.page
    visitor.go("/admin/calibration/calibration/add/")
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


def test_a_technician_records_on_a_phone_and_twice_is_once(visit):
    visitor = visit("jagoda", PHONE)
    page, serial = visitor.page, "KP25-10111"
    before = recorded(visitor, serial)
    fill(visitor, serial)
    page.wait_for_selector("[data-judged]:not([hidden])")
    assert "Within tolerance" in page.inner_text("[data-judged]")
    page.dblclick("button[name=_save]")
    page.wait_for_url("**/change/")
    assert "recorded, sealed and judged" in page.inner_text(".messagelist")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE
    assert recorded(visitor, serial) == before + 1
    assert visitor.errors == []


def test_without_network_the_form_is_kept_and_stored_once_afterwards(visit):
    visitor = visit("jagoda", PHONE)
    page, serial = visitor.page, "KP25-10112"
    before = recorded(visitor, serial)
    fill(visitor, serial)
    page.context.set_offline(True)
    page.click("button[name=_save]")
    page.wait_for_selector("[data-kept]:not([hidden])")
    assert serial in page.inner_text("[data-kept]")
    page.context.set_offline(False)
    page.wait_for_url("**/change/")
    assert recorded(visitor, serial) == before + 1
    assert page.evaluate("Object.values(localStorage).join('')") in {"{}", "", "auto{}", "{}auto"}


def test_what_is_nearly_certainly_wrong_takes_one_more_press(visit):
    visitor = visit("jagoda", PHONE)
    page, serial = visitor.page, "KP25-10113"
    before = recorded(visitor, serial)
    fill(visitor, serial)
    load = float(page.input_value("#id_points-1-load"))
    page.fill("#id_points-1-load", f"{load * 10:g}")  # one digit too many
    page.wait_for_selector("[data-judged]:has-text('of the rated load')")
    page.dblclick("button[name=_save]")
    page.wait_for_selector("button:has-text('Store it all the same')")
    assert "cannot be changed" in page.inner_text("[data-told]")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE
    page.fill("#id_points-1-load", f"{load * 10 + 1:g}")  # typed anew is asked anew
    assert page.inner_text("button[name=_save]") == "Record it"
    page.click("button[name=_save]:enabled")
    page.wait_for_selector("button:has-text('Store it all the same'):enabled")
    page.click("button[name=_save]")
    page.wait_for_url("**/change/")
    assert "of the rated load" in page.inner_text("#content-main")
    assert recorded(visitor, serial) == before + 1
    assert page.evaluate("Object.values(localStorage).join('')") in {"{}", "", "auto{}", "{}auto"}
    assert visitor.errors == []


def test_a_manager_joins_a_family_and_decides_once(visit):
    visitor = visit("halina")
    page = visitor.page
    visitor.go("/admin/calibration/driftflag/?kind__exact=slope")
    rows = page.locator("#result_list tbody tr", has_text="ageing")
    total = rows.count()
    assert total > 2
    for number in range(total):
        rows.nth(number).locator("input.action-select").check()
    page.select_option("select[name=action]", "merge_chosen")
    page.click("button[name=index]")
    assert f"{total} flags will be joined into one matter" in page.inner_text("#content-main")
    page.fill("#id_cause", "a lot that ages early")
    page.click(f"button:has-text('Join {total} flags')")
    page.locator("#result_list tbody tr", has_text="a lot that ages early").first.locator(
        "th a, .field-sensor a"
    ).first.click()
    assert f"One matter with {total - 1} others" in page.inner_text("#content-main")
    page.fill("#id_reason", "replaced under warranty")
    page.click("button:has-text('Close the flag')")
    page.click("text=See them as a list")
    closed = page.locator("#result_list tbody tr .field-status", has_text="closed")
    assert closed.count() == total
    assert visitor.errors == []
