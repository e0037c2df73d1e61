"""A reference in input means the same row by kept statements as by the ORM, for every caller."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from api.naming import named
from api.scoping import candidates
from calibration.models import Calibration, ReferenceStandard
from fleet.access import scope_of
from fleet.models import Customer, Machine, Membership, Role, Sensor
from fleet.scope import Scope

FIELDS = [
    (Sensor, "serial", ("model", "dealer")),
    (Machine, "serial", ("customer",)),
    (ReferenceStandard, "name", ()),
    (Customer, "name", ()),
    (Calibration, "", ()),
]


@pytest.fixture
def callers(world):
    """Return the scope of a caller of each kind."""
    own, other = world.dealers["A"].pk, world.dealers["B"].pk
    both = world.users["techA"]
    Membership.objects.create(user=both, dealer=world.dealers["B"], role=Role.SERVICE_MANAGER)
    return {
        "technician": Scope(serves=frozenset([own])),
        "manager": Scope(manages=frozenset([other])),
        "both at one": Scope(serves=frozenset([own]), manages=frozenset([own])),
        "at two": scope_of(both, None),
        "reviewer": Scope(reviews=True),
        "reviewer of one": Scope(reviews=True, serves=frozenset([other])),
        "administrator": Scope.system(),
        "nobody": Scope(),
    }


def values(model, key):
    """What somebody may send for each of the rows, and for none of them."""
    found = [*model.objects.order_by("pk")[:8]]
    said = [getattr(row, key) for row in found] if key else []
    return [
        *(row.pk for row in found), *(str(row.pk) for row in found), *said,
        *(text.lower() for text in said), "", "no such", "7" * 30, "-1", 0, -1, 2**63, True, False,
        "1.0", "ß", "%", "S-A1'",
    ]  # fmt: skip


@pytest.mark.parametrize(("model", "key", "beside"), FIELDS)
def test_every_caller_finds_what_the_orm_finds(world, callers, model, key, beside):
    world.season("A1", 2025)
    Sensor.objects.filter(pk=world.sensors["A2"].pk).update(serial=str(world.sensors["A1"].pk))
    hits = 0
    for who, scope in callers.items():
        for value in values(model, key):
            expected = candidates(model.objects.visible_to(scope), key, value)
            found = named(model.objects.visible_to, key, beside, scope, value)
            assert found == expected, (who, value)
            hits += len(found)
            for one, other in zip(found, expected, strict=True):
                for field in model._meta.concrete_fields:
                    ours, theirs = (getattr(row, field.attname) for row in (one, other))
                    assert ours == theirs, field
                with CaptureQueriesContext(
                    connection,
                ) as asked:
                    assert all(getattr(one, name) for name in beside)
                assert not asked.captured_queries
    assert hits > 0


def test_two_of_one_name_are_a_question(world, callers):
    for letter in "AB":
        key = Customer.objects.filter(dealer=world.dealers[letter]).order_by("pk").first().pk
        Customer.objects.filter(pk=key).update(name="Farm")
    assert len(named(Customer.objects.visible_to, "name", (), Scope.system(), "farm")) == 2
    one = named(Customer.objects.visible_to, "name", (), callers["technician"], "FARM")
    assert {row.dealer_id for row in one} == {world.dealers["A"].pk}
