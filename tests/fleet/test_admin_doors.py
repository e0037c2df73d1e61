"""Every address of the desk, from the site itself: with nobody, each role, another dealer's rows.

The table is made from the admin site's URL patterns; a page that is added stands in it at once,
and one whose address asks for something that we cannot fill in fails the first test.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from django.apps import apps
from django.contrib import admin
from django.contrib.contenttypes.models import ContentType
from django.db import models
from django.test import Client
from django.urls import URLPattern, URLResolver, reverse

from fleet.admin.door import visible
from fleet.models import Membership, User
from tests.desk import page, signed_in, without_files

ROLES = ("techA", "managerA", "reviewer", "admin", "techB", "managerB")
PAGES = sorted(admin.site._registry.items(), key=lambda item: item[0]._meta.label)
MODELS = {(m._meta.app_label, m._meta.model_name): m for m in admin.site._registry}
OPEN = {"login"}  # whoever comes may see it
KNOWN = {"object_id", "id", "content_type_id", "app_label", "key"}


@dataclass(frozen=True)
class Address:
    """One pattern of the site: its name, the arguments that it takes, its table."""

    name: str
    takes: frozenset[str]
    model: type[models.Model] | None


def patterns(several, before="") -> Iterator[tuple[str, URLPattern]]:
    for each in several:
        here = f"{before}{each.pattern}"
        if isinstance(each, URLResolver):
            yield from patterns(each.url_patterns, here)
        else:
            yield here, each


def addresses() -> list[Address]:
    found = []
    for path, pattern in patterns(admin.site.get_urls()):
        takes = set(pattern.pattern.regex.groupindex) | set(
            getattr(pattern.pattern, "converters", {})
        )
        if pattern.name is None:
            continue  # sends on to the change page, tried by that name
        model = MODELS.get(tuple(path.split("/")[:2]))
        found.append(Address(pattern.name, frozenset(takes) - {"url"}, model))
    return [each for each in found if each.name]


ADDRESSES = addresses()


@pytest.fixture(autouse=True)
def _no_files(settings):
    without_files(settings)


def filled(address: Address, row: models.Model | None) -> str:
    """Return the address, of a row where it takes one."""
    values = {}
    if "content_type_id" in address.takes:
        values["content_type_id"] = ContentType.objects.get_for_model(row or User).pk
    for name in address.takes & {"object_id", "id"}:
        values[name] = row.pk if row is not None else 999999
    if "key" in address.takes:
        values["key"] = "0" * 16  # what names a token: nobody's
    if "app_label" in address.takes:
        values["app_label"] = "fleet"
    return reverse(f"admin:{address.name}", kwargs=values)


def state() -> str:
    """Return a digest of all that the project itself keeps."""
    digest = hashlib.sha256()
    for config in ("fleet", "calibration", "knox", "otp_totp", "otp_static"):
        for model in apps.get_app_config(config).get_models():
            if not model._meta.managed or model._meta.swapped:
                continue
            rows = model._base_manager.order_by("pk").values()
            for row in rows:
                row.pop("last_login", None)
                digest.update(repr(sorted(row.items())).encode())
    return digest.hexdigest()


# ── The table ─────────────────────────────────────────────────────────────────
def test_every_address_is_understood():
    assert len(ADDRESSES) > 100
    names = [address.name for address in ADDRESSES]
    assert len(names) == len(set(names))
    for address in ADDRESSES:
        assert address.takes <= KNOWN, address
        assert address.model or not address.takes & {"object_id", "id"} or (
            address.name == "view_on_site"
        ), address  # fmt: skip
    # What a page adds beside Django's own five is there, too.
    own = [n for n in names if n.count("_") >= 2 and n.rsplit("_", 1)[1] not in
           {"changelist", "add", "history", "delete", "change"}]  # fmt: skip
    assert len(own) >= 8, own


# ── Nobody, and who has no place ──────────────────────────────────────────────
@pytest.mark.parametrize("who", ["nobody", "no staff", "no role", "gone"])
def test_who_has_no_place_sees_and_changes_nothing(full, who):
    client = Client()
    if who != "nobody":
        person = User.objects.create_user("somebody", is_staff=who != "no staff")
        client.force_login(person)
        if who == "gone":
            Membership.objects.create(user=person, dealer=full.dealers["A"], role="technician")
            assert client.get(reverse("admin:index")).status_code == 200
            person.is_active = False
            person.save()
    before = state()
    for address in ADDRESSES:
        if address.name in OPEN:
            continue
        row = address.model._default_manager.first() if address.model else None
        for method in ("get", "post", "put", "delete", "head"):
            answer = getattr(client, method)(filled(address, row))
            assert answer.status_code == 302, (address, method)
            assert answer["Location"].startswith(("/admin/login/", "/admin/")), answer["Location"]
    assert state() == before


# ── Each role, and another dealer's rows ──────────────────────────────────────
@pytest.mark.parametrize("name", ROLES)
def test_rows_of_others_are_neither_shown_nor_changed(full, name):
    client, scope = signed_in(full.users[name]), full.scopes[name]
    before, tried = state(), 0
    for address in ADDRESSES:
        if address.model is None or not address.takes & {"object_id", "id"}:
            continue
        mine = visible(address.model, scope).values("pk")
        for row in address.model._default_manager.exclude(pk__in=mine)[:2]:
            for method, data in (
                ("get", {}), ("post", {}), ("post", {"post": "yes", "reason": "x"}), ("put", {}),
            ):  # fmt: skip
                answer = getattr(client, method)(filled(address, row), data)
                assert answer.status_code in {403, 404}, (address, method, row)
                tried += 1
    assert state() == before
    assert tried > 150 or name in {"reviewer", "admin"}


@pytest.mark.parametrize("name", ROLES)
def test_no_address_breaks_on_ones_own_rows(full, name):
    """Whatever comes back, it is an answer: with nothing sent, and with fields of nonsense."""
    client, scope = signed_in(full.users[name]), full.scopes[name]
    nonsense = {"_save": "1", "dealer": "x", "serial": "\x00", "reason": "", "user": "9" * 9,
                "performed_at_0": "soon", "action": "none",
                "_selected_action": "-1"}  # fmt: skip
    for address in ADDRESSES:
        if address.name in {"logout", "login"}:
            continue
        row = visible(address.model, scope).first() if address.model else None
        for method, data in (
            ("get", {}),
            ("post", {}),
            ("post", nonsense),
            ("put", {}),
            ("delete", {}),
        ):
            if (
                method == "post"
                and not data
                and address.name.endswith(("_acknowledge", "_commit"))
            ):
                continue  # these ask for nothing, and are decided elsewhere
            answer = getattr(client, method)(filled(address, row), data)
            assert answer.status_code in {200, 302, 400, 403, 404, 405, 422}, (address, method)


@pytest.mark.parametrize("name", ROLES)
def test_actions_leave_the_rows_of_others_alone(full, name):
    client, scope = signed_in(full.users[name]), full.scopes[name]
    before, tried = state(), 0
    for model, page_admin in PAGES:
        request = client.get(page(model, "changelist")).wsgi_request
        mine = visible(model, scope).values("pk")
        others = list(model._default_manager.exclude(pk__in=mine).values_list("pk", flat=True))
        for action in [*page_admin.get_actions(request), "delete_selected"]:
            data = {"action": action, "_selected_action": others, "reason": "not mine",
                    "post": "yes", "apply": "1"}  # fmt: skip
            answer = client.post(page(model, "changelist"), data)
            assert answer.status_code in {200, 302, 403}, (model, action)
            # The same as if everything on all pages were chosen, from an empty search.
            tried += bool(others)
    assert state() == before
    assert tried > 10 or name in {"reviewer", "admin"}


@pytest.mark.parametrize("name", ["techA", "managerA"])
def test_a_form_takes_no_row_of_others(full, name):
    """Every choice of every form: what is offered, and so accepted, are visible rows."""
    client, scope = signed_in(full.users[name]), full.scopes[name]
    choices = 0
    for model, page_admin in PAGES:
        request = client.get(page(model, "changelist")).wsgi_request
        rows = [None] if page_admin.has_add_permission(request) else []
        rows += (
            list(visible(model, scope)[:2]) if page_admin.has_change_permission(request) else []
        )
        for row in rows:
            # Of an inline, the key to the page's own row is no choice: the formset fills it in.
            forms = [(page_admin.get_form(request, row, change=row is not None), "")]
            forms += [
                (formset.form, formset.fk.name)
                for formset, inline in page_admin.get_formsets_with_inlines(request, row)
                if inline.has_add_permission(request, row)
                or inline.has_change_permission(request, row)
            ]
            for form, parent in forms:
                for label, field in form.base_fields.items():
                    offered = getattr(field, "queryset", None)
                    if offered is None or label == parent:
                        continue
                    choices += 1
                    seen = set(visible(offered.model, scope).values_list("pk", flat=True))
                    assert set(offered.values_list("pk", flat=True)) <= seen, (model, label)
    assert choices > 3
