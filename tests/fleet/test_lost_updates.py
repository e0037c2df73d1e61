"""An edit writes what it changes; what others changed since the row was read stays."""

from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from calibration import webhooks
from calibration.models import Webhook
from fleet import registry
from fleet.errors import Conflict, Forbidden, NotFound
from fleet.models import Customer, Installation, Machine, Sensor, User
from tests.conftest import NOW, SYSTEM


def test_an_edit_does_not_take_a_resale_back(world):
    read = Sensor.objects.get(pk=world.sensors["A1"].pk)
    machine = read.installations.get(removed_on=None).machine
    buyer = Customer.objects.filter(dealer=world.dealers["B"]).first()
    registry.transfer_machine(scope=SYSTEM, machine=machine, customer=buyer)
    registry.edit(read, scope=SYSTEM, lot="L 77")
    stored = Sensor.objects.get(pk=read.pk)
    assert (stored.lot, stored.dealer_id) == ("L 77", world.dealers["B"].pk)


def test_what_is_searched_follows_the_columns_that_changed(world):
    row = Customer.objects.create(dealer=world.dealers["A"], name="Older Farm")
    registry.edit(Customer.objects.get(pk=row.pk), scope=SYSTEM, name="Newer Farm")
    assert "newer farm" in Customer.objects.get(pk=row.pk).search.casefold()


def test_editing_what_somebody_removed_says_so(world):
    read = Customer.objects.create(dealer=world.dealers["A"], name="Gone tomorrow")
    Customer.objects.filter(pk=read.pk).delete()
    with pytest.raises(NotFound):
        registry.edit(read, scope=SYSTEM, phone="1")
    assert not Customer.objects.filter(pk=read.pk).exists()


def test_a_sensor_comes_under_the_dealer_who_has_the_machine_by_now(world):
    read = Machine.objects.select_related("customer").get(pk=world.machines["A2"].pk)
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines["A2"], customer=world.customers["B1"]
    )
    sensor = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="S-late", model=world.sensor_model
    )
    day = date(2026, 3, 1)
    registry.install_sensor(
        scope=SYSTEM, sensor=sensor, machine=read, position="row 3", installed_on=day
    )
    assert Sensor.objects.get(serial="S-late").dealer_id == world.dealers["B"].pk


def test_who_sells_a_machine_that_somebody_has_sold_is_told(world):
    read = Machine.objects.select_related("customer").get(pk=world.machines["A2"].pk)
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines["A2"], customer=world.customers["B1"]
    )
    with pytest.raises(Forbidden):
        registry.transfer_machine(
            scope=world.scopes["managerA"], machine=read, customer=world.customers["A1"]
        )
    assert Machine.objects.get(pk=read.pk).customer == world.customers["B1"]


def test_a_sensor_is_not_taken_off_twice_on_two_days(world):
    read = Installation.objects.get(pk=world.installations["A1"].pk)
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2026, 3, 1)
    )
    with pytest.raises(Conflict):
        registry.remove_sensor(scope=SYSTEM, installation=read, removed_on=date(2026, 3, 2))
    assert Installation.objects.get(pk=read.pk).removed_on == date(2026, 3, 1)


@pytest.fixture
def address(world):
    return Webhook.objects.create(
        dealer=world.dealers["A"], url="https://203.0.113.7/", kinds=[], secret=b"", told=7,
        created_at=NOW,
    )  # fmt: skip


def test_changing_an_address_leaves_what_the_teller_noted(address):
    read = Webhook.objects.get(pk=address.pk)
    Webhook.objects.filter(pk=address.pk).update(told=9, active=False)
    webhooks.change(read, kinds=["flag.opened"])
    stored = Webhook.objects.get(pk=address.pk)
    assert (stored.kinds, stored.told, stored.active) == (["flag.opened"], 9, False)


def test_a_replay_takes_the_claim_of_who_is_telling(address):
    until = NOW + timedelta(minutes=5)
    Webhook.objects.filter(pk=address.pk).update(claimed_until=until)
    webhooks.replay(address, 0)
    teller = Webhook.objects.filter(pk=address.pk, claimed_until=until)
    assert teller.update(told=8) == 0
    assert Webhook.objects.get(pk=address.pk).told == 0


def test_an_edit_of_a_person_keeps_what_changed_meanwhile(world, monkeypatch):
    """At the desk and over HTTP: blocked between reading and saving, the account stays blocked."""
    person, clean_and_save = world.users["techA"], registry.clean_and_save

    def late(row, **more):
        User.objects.filter(pk=person.pk).update(is_active=False)
        return clean_and_save(row, **more)

    monkeypatch.setattr(registry, "clean_and_save", late)
    tablet, desk = APIClient(), Client()
    tablet.force_authenticate(world.users["admin"])
    desk.force_login(world.users["admin"])
    changed = tablet.patch(f"/api/v1/users/{person.pk}/", {"email": "a@example.org"}, "json")
    assert changed.status_code == 200, changed.content
    stored = User.objects.get(pk=person.pk)
    assert (stored.email, stored.is_active) == ("a@example.org", False)
    User.objects.filter(pk=person.pk).update(is_active=True)
    page = reverse("admin:fleet_user_change", args=[person.pk])
    form = desk.get(page).context["adminform"].form
    sent = {name: form.initial.get(name) or "" for name in form.fields} | {"last_name": "Later"}
    sent |= {"is_active": "on", "is_staff": "on", **empty_inline(desk.get(page))}
    assert desk.post(page, sent).status_code == 302
    stored = User.objects.get(pk=person.pk)
    assert (stored.last_name, stored.is_active) == ("Later", False)


def empty_inline(page):
    """The rows below a form as they came."""
    sent = {}
    for inline in page.context["inline_admin_formsets"]:
        for form in (inline.formset.management_form, *inline.formset.forms):
            for field in form:
                sent[field.html_name] = field.value() if field.value() is not None else ""
    return sent
