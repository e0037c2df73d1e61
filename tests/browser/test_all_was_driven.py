"""What the browser tests have left out: no page and no form of ours, whoever sees it.

Found by themselves: the pages from the addresses of the admin site, the forms from the pages that
were looked at. This test is the last of a run; of a part of the others it can say nothing.
"""

import functools
import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.contrib import admin
from django.urls import URLPattern, URLResolver

from tests.browser.driving import BROWSER

pytestmark = BROWSER


@pytest.fixture
def whole_run(request: pytest.FixtureRequest) -> None:
    """Skip where not all browser tests were asked for."""
    here = Path(__file__).parent
    asked = {item.path for item in request.session.items}
    missing = sorted(path.name for path in here.glob("test_*.py") if path not in asked)
    if missing:
        pytest.skip(f"not asked for: {', '.join(missing)}")


def patterns(several: Any) -> Iterator[URLPattern]:
    for each in several:
        if isinstance(each, URLResolver):
            yield from patterns(each.url_patterns)
        else:
            yield each


def is_ours(view: Any) -> bool:
    """Whether a page is made by a view of this project, under whatever wraps it."""
    view = inspect.unwrap(view)
    while isinstance(view, functools.partial):
        view = view.func
    return not view.__module__.startswith("django.")


def own_addresses() -> set[str]:
    """Return the names of the addresses that views of ours answer."""
    names = {each.name for each in patterns(admin.site.get_urls()) if is_ours(each.callback)}
    # The changes of a row: one view for every table, which leads to the list of changes.
    return {str(name) for name in names if not str(name).endswith("_history")}


def test_every_address_of_ours_was_asked_for(whole_run, ledger):
    assert len(own_addresses()) > 35
    assert own_addresses() - ledger.asked == set()


def test_every_page_that_was_shown_was_looked_at(whole_run, ledger):
    assert ledger.shown - ledger.held == set()


def test_every_form_of_ours_was_sent_by_every_role_that_was_offered_it(whole_run, ledger):
    assert len(ledger.offered) > 60
    assert ledger.offered - ledger.sent == set()
