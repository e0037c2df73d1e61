"""Somebody at the desk in a browser: what they do there, and what every page must hold.

WCAG 2.2 AA is checked with axe-core (Deque Systems), of which a machine finds a part only.
"""

import functools
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urljoin, urlsplit

import pytest
from django.conf import settings
from django.urls import Resolver404, resolve

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
PHONE, SMALL, DESK = 390, 360, 1280
MOST_QUERIES, MOST_SCRIPT = 12, 60_000
SETTLES = 40  # looks at a page whose width has not settled yet

ROLES = {
    "jagoda": "technician", "halina": "service manager", "imre": "warranty reviewer",
    "adela": "administrator",
    # Who is there for the tests alone: see `serving.PEOPLE`.
    "tekla": "technician", "wanda": "service manager", "ilse": "warranty reviewer",
    "oskar": "administrator",
}  # fmt: skip

# The demo makes its own SQLite database, so these tests run in the SQLite run alone.
BROWSER = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="there is no Chromium here"),
    pytest.mark.skipif(not settings.EMBEDDED, reason="the demo is for SQLite"),
]

# Django's own forms are known by their names: of a row, of a list, of signing out.
FORMS = r"""() => {
  const found = [];
  for (const form of document.querySelectorAll("form[method=post]")) {
    if (/_form$|^changelist-form$|^logout-form$/.test(form.id)) continue;
    const hidden = form.querySelector("input[type=hidden][name=action]");
    for (const button of form.querySelectorAll("[type=submit]")) {
      const said = { action: button.value, _check: "check" }[button.name] || "";
      found.push([form.getAttribute("action") || "", hidden ? hidden.value : said]);
    }
  }
  for (const { value } of document.querySelectorAll("select[name=action] option"))
    if (value && value !== "delete_selected") found.push(["", "list: " + value]);
  return found;
}"""
BESIDE = """field => {
  const place = field.closest(".field, td, .fieldBox, .form-row");
  return [...place.querySelectorAll(".errorlist")].map(list => list.innerText).join(" ");
}"""


def name_of(address: str) -> str:
    """Return what the desk calls the page at an address."""
    try:
        return resolve(urlsplit(address).path).url_name or ""
    except Resolver404:
        return ""


@functools.cache
def axe() -> str:
    from axe_playwright_python.sync_playwright import Axe

    return str(Axe().axe_script)


@dataclass
class Ledger:
    """What the browser did in this run: addresses, pages and forms, by the desk's names."""

    asked: set[str] = field(default_factory=set)  # answered without an error
    shown: set[str] = field(default_factory=set)
    held: set[str] = field(default_factory=set)
    offered: set[tuple[str, str, str]] = field(default_factory=set)  # role, page, what is done
    sent: set[tuple[str, str, str]] = field(default_factory=set)
    sizes: dict[str, int] = field(default_factory=dict)  # of scripts


@dataclass
class Visitor:
    """Somebody signed in, and what the browser noticed meanwhile."""

    name: str
    page: Any
    address: str
    ledger: Ledger
    forgiven: str = "-"  # what the browser may complain of, because the test brings it about
    wrong: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Listen."""
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.wrong.append(f"{self.page.url}: {error}"))
        self.page.on("request", self._asked)
        self.page.on("response", self._answered)

    @property
    def role(self) -> str:
        return ROLES.get(self.name, "")

    def go(self, path: str) -> Any:
        return self.page.goto(urljoin(self.address, path), wait_until="load")

    def sign_in(
        self, name: str, *, password: str = "", code: str = "", expected: str = ""
    ) -> None:
        """Sign in, or try to: `expected` is what is said where that does not open."""
        self.name, page = name, self.page
        self.go("/admin/login/")
        page.fill("#id_username", name)
        page.fill("#id_password", password or f"demo-{name}")
        page.fill("#id_otp", code)
        with page.expect_navigation():
            page.click("input[type=submit]")
        if expected:
            assert expected in page.inner_text("#container")
        else:
            assert page.inner_text("h1") == "Today"

    def tap(self, words: str, kind: str = "button") -> None:
        """Click a button, or a link, that says exactly this."""
        self.page.get_by_role(kind, name=words, exact=True).first.click()

    def click(self, words: str, kind: str = "button") -> None:
        """Click what leads to another page, and wait for that."""
        with self.page.expect_navigation():
            self.tap(words, kind)

    def save(self) -> None:
        """Send a form of Django's own."""
        with self.page.expect_navigation():
            self.page.click("input[name=_save]")

    def said(self) -> str:
        """Return what the desk says above the page."""
        return str(self.page.inner_text(".messagelist"))

    def beside(self, name: str) -> str:
        """Return what is said to be wrong with a field, where the field is."""
        return str(self.page.locator(f"#id_{name}").evaluate(BESIDE))

    def choose(self, name: str, words: str) -> None:
        """Choose a row in a field that searches while one types."""
        page = self.page
        page.click(f"#id_{name} + .select2")
        page.fill(".select2-container--open .select2-search__field", words)
        page.locator(".select2-results__option--highlighted", has_text=words).click()

    # ── what a page must hold ──
    def holds(self) -> None:
        """Fail unless the page is as every page must be."""
        wrong = self.hold()
        assert not wrong, "\n".join(wrong)

    def hold(self) -> list[str]:
        """Return what is wrong with the page as it stands now."""
        page, wrong = self.page, self.wrong[:]
        self.wrong.clear()
        path = urlsplit(page.url).path
        self.ledger.held.add(name_of(path))
        self._note_forms()
        size = sum(
            map(self._size, page.eval_on_selector_all("script[src]", "s => s.map(x => x.src)"))
        )
        if size > MOST_SCRIPT:
            wrong.append(f"{size} bytes of our scripts")
        wrong += self._violations()
        before = page.viewport_size
        page.set_viewport_size({"width": SMALL, "height": 740})
        wide = self._width()
        page.set_viewport_size(before)
        if wide > SMALL:
            wrong.append(f"{wide} pixels wide on a screen of {SMALL}")
        return [f"{self.name} at {path}: {each}" for each in wrong]

    def _width(self) -> int:
        """Return how wide the page is; an open list moves only after the screen has changed."""
        for _ in range(SETTLES):
            wide = self.page.evaluate("document.documentElement.scrollWidth")
            if wide <= SMALL:
                break
            self.page.wait_for_timeout(50)
        return int(wide)

    def _violations(self) -> list[str]:
        # Without `preload`, in which axe looks for imported style sheets beside the page.
        options = {"runOnly": {"type": "tag", "values": WCAG}, "preload": False,
                   "resultTypes": ["violations"]}  # fmt: skip
        self.page.evaluate(axe())
        found = self.page.evaluate("o => axe.run(document, o).then(r => r.violations)", options)
        return [
            f"{each['id']}: {each['help']} {[node['html'][:160] for node in each['nodes'][:2]]}"
            for each in found
        ]

    def _size(self, script: str) -> int:
        if "/static/spanbook/" not in script:
            return 0
        if script not in self.ledger.sizes:
            self.ledger.sizes[script] = len(self.page.request.get(script).body())
        return self.ledger.sizes[script]

    def _note_forms(self) -> None:
        for action, what in self.page.evaluate(FORMS):
            name = name_of(urljoin(self.page.url, action))
            self.ledger.offered.add((self.role, name, what))

    # ── what the browser noticed ──
    def _heard(self, message: Any) -> None:
        if message.type == "error" and self.forgiven not in message.text:
            self.wrong.append(f"{self.page.url}: {message.text}")

    def _asked(self, request: Any) -> None:
        if not request.url.startswith((self.address, "data:", "blob:")):
            self.wrong.append(f"another host was asked: {request.url}")
        elif request.method == "POST":
            self.ledger.sent.add((self.role, name_of(request.url), _what(request)))

    def _answered(self, response: Any) -> None:
        path, request = urlsplit(response.url).path, response.request
        if not path.startswith("/admin/") or response.status >= 400:
            return
        self.ledger.asked.add(name_of(path))
        html = "text/html" in response.headers.get("content-type", "")
        if not (html and request.is_navigation_request() and response.status == 200):
            return
        self.ledger.shown.add(name_of(path))
        queries, spent = (response.headers[name] for name in ("x-queries", "x-milliseconds"))
        print(f"{self.name}: {request.method} {path}: {queries} queries, {spent} ms", flush=True)
        if request.method == "GET" and int(queries) > MOST_QUERIES:
            self.wrong.append(f"{path}: {queries} queries")


def _what(request: Any) -> str:
    """Return what a sent form asks for, as `FORMS` names it."""
    if "urlencoded" not in request.headers.get("content-type", ""):
        return ""
    sent = parse_qs(request.post_data or "")
    if "_check" in sent:
        return "check"
    asked = sent.get("action", [""])[0]
    return f"list: {asked}" if "index" in sent and asked else asked
