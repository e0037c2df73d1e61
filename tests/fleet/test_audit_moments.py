"""The moments of the trail are compared as they are shown: no change is lost or told twice."""

from datetime import UTC, datetime
from importlib import import_module
from types import SimpleNamespace
from urllib.parse import quote

import pytest
from django.apps import apps
from django.db import DatabaseError, connection, transaction
from rest_framework.test import APIClient

from calibration import sealing
from fleet.models import Change

PATH = "/api/v1/audit/"
WRITE_OUT = import_module("fleet.migrations.0008_moments_of_changes").write_out


@pytest.fixture
def manager(world):
    client = APIClient()
    client.force_authenticate(world.users["managerA"])
    return client


@pytest.mark.parametrize("ordering", ["at", "-at"])
def test_paging_by_moment_shows_every_change_once(world, manager, ordering):
    own = Change.objects.filter(dealer=world.dealers["A"]).values_list("pk", flat=True)
    shown, address = [], f"{PATH}?ordering={ordering}&page_size=2"
    while address and len(shown) <= len(own):
        page = manager.get(address).json()
        shown += [row["id"] for row in page["results"]]
        address = page["next"]
    assert len(own) > 6
    assert sorted(shown) == sorted(own)


def test_a_change_is_found_from_its_own_moment_on_and_not_before_it(world, manager):
    for row in manager.get(f"{PATH}?page_size=100").json()["results"]:
        at = quote(row["at"])
        after = manager.get(f"{PATH}?page_size=100&at_after={at}").json()["results"]
        before = manager.get(f"{PATH}?page_size=100&at_before={at}").json()["results"]
        assert row["id"] in {each["id"] for each in after}
        assert row["id"] not in {each["id"] for each in before}


@pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL keeps moments, not texts")
@pytest.mark.parametrize("text", ["2026-04-10 12:00:00.500", "2026-04-10 12:00:00.000"])
def test_changes_of_before_are_written_as_django_compares_them(world, text):
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO fleet_change (at, via, what, 'table', 'row') "
            "VALUES (%s, '', 'update', 't', 'r')",
            [text],
        )
    moment = datetime.fromisoformat(text).replace(tzinfo=UTC)
    old = Change.objects.filter(table="t", at=moment)
    assert not old
    seals = sealing.present(connection)
    for _ in range(2):
        WRITE_OUT(apps, SimpleNamespace(connection=connection))
        assert old.get().at == moment
    assert sealing.present(connection) == seals
    with pytest.raises(DatabaseError, match="sealed"), transaction.atomic():
        old.update(via="x")
