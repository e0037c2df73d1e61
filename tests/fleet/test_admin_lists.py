"""Lists that are wider than the screen: a region that a keyboard reaches, cells that say what
they are.

WCAG 2.2 (from memory): 2.1.1, what scrolls is reached by the keyboard; 1.3.1 and 4.1.2, a region
has a role and a name. How it looks is checked in tests/browser.
"""

from html.parser import HTMLParser

import pytest
from django.contrib import admin

from calibration.models import Digest, DriftFlag
from fleet.models import Change, Customer, Sensor
from fleet.templatetags.desk import labelled
from tests.desk import fill, page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


class Lists(HTMLParser):
    """Finds the list's region, its column heads and the labels of each row's cells."""

    def __init__(self) -> None:
        super().__init__()
        self.region: dict = {}
        self.heads: list[str] = []
        self.rows: list[list[str]] = []
        self._head = False

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        if "results" in (found.get("class") or "").split():
            self.region = found
        if tag == "th" and found.get("scope") == "col":
            self.heads.append("")
            self._head = True
        elif tag == "tr":
            self.rows.append([])
        elif tag in {"td", "th"} and self.rows:
            self.rows[-1].append(found.get("data-label", ""))

    def handle_endtag(self, tag):
        if tag == "th":
            self._head = False

    def handle_data(self, data):
        if self._head:
            self.heads[-1] += data.strip().lstrip("0123456789")  # the priority of a sort


@pytest.mark.parametrize("model", [Change, DriftFlag, Digest, Customer, Sensor])
def test_a_list_is_a_named_region_and_its_cells_know_their_columns(world, model):
    fill(world)
    text = signed_in(world.users["managerA"]).get(page(model, "changelist")).content.decode()
    found = Lists()
    found.feed(text)
    assert (found.region["role"], found.region["tabindex"]) == ("region", "0")
    name = str(admin.site.get_model_admin(model).opts.verbose_name_plural)
    assert found.region["aria-label"].lower().startswith(name)
    rows = [row for row in found.rows if row]
    assert rows
    assert all(row == found.heads for row in rows)


def test_a_columns_name_is_escaped():
    (cell,) = labelled(['<td class="field-x">1 > 0</td>'], [{"text": 'a "b" <c>'}])
    assert cell == '<td class="field-x" data-label="A &quot;b&quot;">1 > 0</td>'
