"""Visit sheets on the desk are for those who may see visits, as they are in the API."""

import pytest
from django.urls import reverse

from fleet.models import Customer, Membership, Role
from tests.desk import page, signed_in, without_files

ACTION = "sheets_chosen"


@pytest.fixture(autouse=True)
def _desk(settings, monkeypatch):
    without_files(settings)
    monkeypatch.setattr("calibration.documents.visit_sheet", lambda *_, **__: b"%PDF")
    monkeypatch.setattr("calibration.documents.visit_sheets", lambda *_, **__: b"PK")


def sheet(customer) -> str:
    return reverse("admin:fleet_customer_visit_sheet", args=[customer.pk])


def chosen(*customers) -> dict:
    return {"action": ACTION, "_selected_action": [row.pk for row in customers]}


@pytest.mark.parametrize(("name", "served"), [("techA", True), ("reviewer", False)])
def test_who_may_not_see_visits_gets_no_sheet_and_is_offered_none(world, name, served):
    client, customer = signed_in(world.users[name]), world.customers["A1"]
    assert client.get(sheet(customer)).status_code == (200 if served else 403)
    shown = client.get(page(customer, "change", customer.pk))
    assert shown.status_code == 200
    assert (sheet(customer) in shown.content.decode()) is served
    listed = client.get(page(Customer, "changelist")).content.decode()
    assert (f'value="{ACTION}"' in listed) is served
    answer = client.post(page(Customer, "changelist"), chosen(customer))
    assert (answer.headers["Content-Type"] == "application/zip") is served


def test_a_technician_who_reviews_too_gets_the_sheets_of_their_own_dealer(world):
    Membership.objects.create(user=world.users["techA"], dealer=None, role=Role.WARRANTY_REVIEWER)
    client, ours, theirs = (
        signed_in(world.users["techA"]), world.customers["A1"], world.customers["B1"]
    )  # fmt: skip
    assert client.get(sheet(ours)).status_code == 200
    assert client.get(sheet(theirs)).status_code == 403
    address = page(Customer, "changelist")
    assert client.post(address, chosen(ours)).status_code == 200
    assert client.post(address, chosen(ours, theirs)).status_code == 403
