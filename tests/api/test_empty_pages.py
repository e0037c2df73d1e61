"""A page that has become empty leads back to the row that its address names, and past none."""

import base64
import json

import pytest

from fleet.models import Customer
from tests.api.conftest import V1, refused


@pytest.fixture
def names(world):
    """Four customers of dealer A, told apart from its others by a search."""
    made = [f"Empty {number}" for number in range(4)]
    for name in made:
        Customer.objects.create(dealer=world.dealers["A"], name=name, search=name.casefold())
    return made


def page(client, address):
    body = client.get(address).json()
    return body, [row["name"] for row in body["results"]]


def first(order="name"):
    return f"{V1}customers/?search=empty&page_size=2&ordering={order}"


@pytest.mark.parametrize("order", ["name", "-name"])
def test_an_empty_last_page_leads_back_to_the_row_before_it(manager, names, order):
    body, shown = page(manager, first(order))
    Customer.objects.filter(name__in=set(names) - set(shown)).delete()
    empty, none = page(manager, body["next"])
    assert none == []
    assert page(manager, empty["previous"])[1] == shown


@pytest.mark.parametrize("order", ["name", "-name"])
def test_an_empty_first_page_leads_on_to_the_row_after_it(manager, names, order):
    body, gone = page(manager, first(order))
    body, shown = page(manager, body["next"])
    Customer.objects.filter(name__in=gone).delete()
    empty, none = page(manager, body["previous"])
    assert none == []
    assert page(manager, empty["next"])[1] == shown


def test_an_empty_page_by_a_column_without_a_value_leads_back_too(tech, world):
    address = f"{V1}sensors/?ordering=next_due&page_size=2"
    body = tech.get(address).json()
    kept = [row["id"] for row in body["results"]]
    narrower = body["next"] + f"&serial={body['results'][-1]['serial']}"
    empty = tech.get(narrower).json()
    assert empty["results"] == []
    assert [row["id"] for row in tech.get(empty["previous"]).json()["results"]] == kept[-1:]


def test_a_row_that_comes_back_is_shown_on_the_way_on(manager, names):
    body, shown = page(manager, first())
    last = Customer.objects.get(name=shown[-1])
    key = last.pk
    Customer.objects.filter(name__in=names).delete()
    empty, _ = page(manager, body["next"])
    emptier, none = page(manager, empty["previous"])
    assert none == []
    last.pk = key
    last.save(force_insert=True)
    assert page(manager, emptier["next"])[1] == shown[-1:]


def cursor(address):
    text = address.split("cursor=")[1].split("&")[0]
    return json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))


def test_cursors_of_pages_with_rows_are_as_they_were(manager, names):
    body, _ = page(manager, first())
    assert len(cursor(body["next"])) == 3


@pytest.mark.parametrize("more", [[False], [1], ["x"], [None], [True, True]])
def test_a_cursor_that_says_more_is_refused(manager, names, more):
    body, _ = page(manager, first())
    said = [*cursor(body["next"]), *more]
    text = base64.urlsafe_b64encode(json.dumps(said).encode()).decode().rstrip("=")
    refused(manager.get(f"{first()}&cursor={text}"), 400, "/?/cursor")
