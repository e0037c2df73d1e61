"""The demo, served once for all browser tests; the browser; who signs in."""

import os
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.browser.driving import CHROMIUM, DESK, Ledger, Visitor

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Served:
    """Where the demo is served, and the settings with which a worker finds it."""

    address: str
    env: dict[str, str]


@pytest.fixture(scope="session")
def served() -> Iterator[Served]:
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
            yield Served(f"http://127.0.0.1:{port}", env)
        finally:
            server.terminate()
            server.wait(20)
            if server.stdout is not None:
                server.stdout.close()


@pytest.fixture(scope="module")
def worker(served: Served) -> Iterator[Callable[[], None]]:
    """Return what starts a worker, once: the process that checks and stores uploaded files."""
    started: list[subprocess.Popen[bytes]] = []

    def start() -> None:
        if not started:
            command = [sys.executable, "manage.py", "worker", "--interval", "3600"]
            quiet = subprocess.DEVNULL  # the reminders that it prints
            started.append(subprocess.Popen(command, cwd=ROOT, env=served.env, stdout=quiet))

    yield start
    for process in started:
        process.terminate()
        process.wait(60)


@pytest.fixture(scope="session")
def ledger() -> Ledger:
    """Return what is written down of the whole run."""
    return Ledger()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """Start the browser once."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def profiles(chromium: Any) -> Iterator[dict[str, Any]]:
    """Return the browser profiles of the run by person: to make one takes longer than a page."""
    made: dict[str, Any] = {}
    yield made
    for profile in made.values():
        profile.close()


@pytest.fixture
def visit(served, chromium, ledger, profiles):
    """Return who opens the desk as one of the demo's people, signed in, each in an own profile.

    `""` is somebody who has yet to sign in, on a device on which nobody is.
    """
    visitors = []

    def open_desk(name: str, width: int = DESK, scheme: str = "light") -> Visitor:
        known = name in profiles
        if not known:
            profiles[name] = chromium.new_context()
            profiles[name].set_default_timeout(30_000)
        if not name:
            profiles[name].clear_cookies()
        page = profiles[name].new_page()
        page.set_viewport_size({"width": width, "height": 844})
        page.emulate_media(color_scheme=scheme)
        visitor = Visitor(name, page, served.address, ledger)
        visitors.append(visitor)
        if name and not known:
            visitor.sign_in(name)
        return visitor

    yield open_desk
    for visitor in visitors:
        visitor.page.close()
    # What the browser noticed after the last look at a page.
    wrong = [each for visitor in visitors for each in visitor.wrong]
    assert not wrong, "\n".join(wrong)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave to the end the test that asks what all the others did."""
    items.sort(key=lambda item: item.path.name == "test_all_was_driven.py")
