"""Every page of the desk, as every role, and as another dealer's people."""

import json

import pytest
from django.contrib import admin
from django.test import Client
from django.urls import reverse

from calibration.models import DriftFlag, ImportRun
from fleet import access
from fleet.admin.door import dealer_of, visible
from fleet.admin.scoped import Scoped
from fleet.models import Change, Membership, User
from tests.desk import page, signed_in, without_files

ROLES = ("techA", "managerA", "reviewer", "admin", "techB", "managerB")
PAGES = sorted(admin.site._registry.items(), key=lambda item: item[0]._meta.label)
CONTACTS = ("@farm.example", "+48 555")


@pytest.fixture(autouse=True)
def _no_files(settings):
    without_files(settings)


def client_of(world, name):
    return signed_in(world.users[name])


def told_apart(rows):
    """Return rows whose status is asked; of the trail, one for every write, one of a kind."""
    if rows.model is not Change:
        return list(rows)
    return list(
        {(row.table, row.what, row.dealer_id): row for row in rows.order_by("pk")}.values()
    )


def foreign_words(world, name: str) -> tuple[str, ...]:
    """What this person must never read: the other dealer's names, serials and contacts."""
    if name in {"reviewer", "admin"}:
        return ()
    other = "B" if name.endswith("A") else "A"
    dealer = world.dealers[other]
    return (
        f"Farm {other}", f"S-{other}", f"M-{other}", f"{other.lower()}1@farm.example",
        dealer.name, dealer.code, dealer.email, f"hand of {other}", f"tech{other}",
    )  # fmt: skip


def test_every_page_has_the_one_base_and_its_row_of_rights():
    assert len(PAGES) > 15
    for model, page_admin in PAGES:
        assert isinstance(page_admin, Scoped), model
        assert page_admin.resource in access.RIGHTS, model


@pytest.mark.parametrize("name", ROLES)
def test_lists_and_rows_answer_by_role_and_dealer(full, name):
    client, scope = client_of(full, name), full.scopes[name]
    seen = 0
    for model, page_admin in PAGES:
        may_read = access.may(scope, "read", page_admin.resource)
        answer = client.get(page(model, "changelist"))
        assert answer.status_code == (200 if may_read else 403), model
        shown = set(visible(model, scope).values_list("pk", flat=True))
        for row in told_apart(model._default_manager.all()):
            answer = client.get(page(model, "change", row.pk))
            own = access.may(scope, "read", page_admin.resource, dealer_of(row))
            expected = 404 if row.pk not in shown else 200 if own else 403
            expected = expected if may_read else 403  # all of the table, absent rows alike
            assert answer.status_code == expected, (model, row)
            seen += expected == 200
        for key in ("999999", "no-such-row", "00000000-0000-0000-0000-000000000000"):
            answer = client.get(page(model, "change", key))
            assert answer.status_code == (404 if may_read else 403), (model, key)
    assert seen > 5


@pytest.mark.parametrize("name", ROLES)
def test_nobody_reads_another_dealers_words(full, name):
    client, scope = client_of(full, name), full.scopes[name]
    foreign = foreign_words(full, name)
    addresses = [reverse("admin:index")]
    for model, page_admin in PAGES:
        if not access.may(scope, "read", page_admin.resource):
            continue
        addresses.append(page(model, "changelist"))
        if access.may(scope, "create", page_admin.resource):
            addresses.append(page(model, "add"))
        rows = visible(model, scope)
        addresses += [page(model, "change", row.pk) for row in rows]
    for address in addresses:
        answer = client.get(address)
        if answer.status_code == 403:
            continue
        text = answer.content.decode()
        assert not [word for word in foreign if word in text], address
        if name == "reviewer":
            assert not [word for word in CONTACTS if word in text], address
    assert len(addresses) > 20


@pytest.mark.parametrize("name", ROLES)
def test_adding_and_editing_follow_the_table_of_rights(full, name):
    client, scope = client_of(full, name), full.scopes[name]
    for model, page_admin in PAGES:
        request = client.get(page(model, "changelist")).wsgi_request
        expected = 200 if page_admin.has_add_permission(request) else 403
        assert client.get(page(model, "add")).status_code == expected, model
        if not access.may(scope, "create", page_admin.resource):
            assert expected == 403, model
        for row in told_apart(visible(model, scope)):
            may_edit = access.may(scope, "edit", page_admin.resource, dealer_of(row))
            if not may_edit:
                assert client.post(page(model, "change", row.pk), {}).status_code == 403, row
            answer = client.get(page(model, "delete", row.pk))
            own_role = model is Membership and access.may(
                scope, "remove", "memberships", dealer_of(row)
            )
            deletes = own_role or (model is User and name == "admin" and row != request.user)
            assert answer.status_code == (200 if deletes else 403), (model, row)


@pytest.mark.parametrize("name", ["techA", "managerA"])
def test_special_pages_of_another_dealer_do_not_exist(full, name):
    client = client_of(full, name)
    calibration = full.sensors["B1"].calibrations.first()
    flag = DriftFlag.objects.filter(sensor=full.sensors["B1"]).first()
    run = ImportRun.objects.get(dealer=full.dealers["B"])
    doors = [
        ("get", "calibration_calibration_certificate", calibration.pk),
        ("get", "fleet_sensor_dossier", full.sensors["B1"].pk),
        ("get", "fleet_machine_cab_card", full.machines["B1"].pk),
        ("get", "fleet_customer_visit_sheet", full.customers["B1"].pk),
        ("post", "calibration_driftflag_acknowledge", flag.pk),
        ("post", "calibration_driftflag_close", flag.pk),
        ("post", "calibration_importrun_commit", run.pk),
        ("post", "calibration_importrun_cancel", run.pk),
        ("get", "calibration_importrun_progress", run.pk),
        ("get", "calibration_importrun_refused", run.pk),
        ("get", "fleet_sensor_delete", full.sensors["B1"].pk),
        ("get", "fleet_user_password_change", full.users["techB"].pk),
    ]
    for verb, door, key in doors:
        name_of = "auth_user_password_change" if door == "fleet_user_password_change" else door
        answer = getattr(client, verb)(reverse(f"admin:{name_of}", args=[key]))
        assert answer.status_code in {403, 404}, door
    answer = client.get(reverse("admin:calibration_calibration_add"), {"corrects": calibration.pk})
    assert answer.status_code == 404
    flag.refresh_from_db()
    assert flag.status == DriftFlag.Status.OPEN


def test_own_special_pages_answer(full):
    client = client_of(full, "managerA")
    calibration = full.sensors["A1"].calibrations.first()
    run = ImportRun.objects.get(dealer=full.dealers["A"])
    for door, key, kind in (
        ("calibration_calibration_certificate", calibration.pk, "application/pdf"),
        ("fleet_sensor_dossier", full.sensors["A1"].pk, "application/zip"),
        ("fleet_machine_cab_card", full.machines["A1"].pk, "application/pdf"),
        ("fleet_customer_visit_sheet", full.customers["A1"].pk, "application/pdf"),
        ("calibration_importrun_refused", run.pk, "text/plain; charset=utf-8"),
    ):
        answer = client.get(reverse(f"admin:{door}", args=[key]))
        assert answer.headers["Content-Type"] == kind, door
        assert answer.content


@pytest.mark.parametrize("name", ROLES)
def test_autocompletion_offers_visible_rows_only(full, name):
    client = client_of(full, name)
    fields = [
        (model, field)
        for model, page_admin in PAGES
        for field in page_admin.get_autocomplete_fields(None)
    ]
    assert fields
    for model, field in fields:
        answer = client.get(
            reverse("admin:autocomplete"),
            {
                "app_label": model._meta.app_label,
                "model_name": model._meta.model_name,
                "field_name": field,
                "term": "",
            },
        )
        assert answer.status_code in {200, 403}
        if answer.status_code == 200:
            texts = json.dumps(json.loads(answer.content))
            assert not [word for word in foreign_words(full, name) if word in texts], (
                model,
                field,
            )


@pytest.mark.parametrize(
    "query",
    ["email__startswith=a", "phone__contains=5", "dealer__email=x", "machines__serial=M-B1",
     "_to_field=email"],
)  # fmt: skip
def test_a_list_cannot_be_used_to_probe_columns(full, query):
    client = client_of(full, "reviewer")
    assert (
        client.get(page(type(full.customers["A1"]), "changelist") + f"?{query}").status_code == 400
    )


@pytest.mark.parametrize("name", ["techA", "reviewer"])
def test_who_edited_what_is_for_managers_and_administrators(full, name):
    door = reverse("admin:fleet_sensor_history", args=[full.sensors["A1"].pk])
    assert client_of(full, name).get(door).status_code == 403
    for manager in ("admin", "managerA"):
        answer = client_of(full, manager).get(door, follow=True)
        assert answer.status_code == 200
        assert "fleet_installation" in answer.content.decode()
    assert client_of(full, "managerB").get(door).status_code == 404


def test_a_stranger_is_asked_to_sign_in_and_a_person_without_a_role_stays_outside(full):
    assert Client().get(reverse("admin:index")).status_code == 302
    nobody = User.objects.create_user("nobody", password="x" * 12, is_staff=True)
    client = Client()
    client.force_login(nobody)
    assert client.get(reverse("admin:index")).status_code == 302
    Membership.objects.create(user=nobody, dealer=full.dealers["A"], role="technician")
    assert client.get(reverse("admin:index")).status_code == 200
    nobody.is_staff = False
    nobody.save()
    assert client.get(reverse("admin:index")).status_code == 302


@pytest.mark.parametrize("name", ROLES)
def test_no_page_holds_a_style_or_a_script_of_its_own(full, name):
    client, scope = client_of(full, name), full.scopes[name]
    addresses = [reverse("admin:index"), reverse("admin:login")]
    for model, page_admin in PAGES:
        if access.may(scope, "read", page_admin.resource):
            addresses.append(page(model, "changelist"))
            first = visible(model, scope).first()
            addresses += [page(model, "change", first.pk)] if first else []
    for address in addresses:
        answer = client.get(address)
        text = answer.content.decode()
        for inline in (" style=", "<style", " onclick=", "<script>", "javascript:", "https://"):
            assert inline not in text, (address, inline)
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
