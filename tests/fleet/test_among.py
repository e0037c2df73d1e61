"""The lookup `__among` finds what `__in` finds, with one parameter however many keys there are."""

import uuid

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from calibration.models import Calibration, Fit
from fleet.among import Keys
from fleet.models import Sensor


def keys_of(rows):
    return sorted(map(str, rows.values_list("pk", flat=True)))


@pytest.mark.parametrize("form", [list, tuple, lambda keys: Keys(",".join(map(str, keys)))])
@pytest.mark.parametrize("which", [[], ["A1"], ["A1", "B2", "A2b"]])
def test_whole_numbers_are_found_in_a_list_or_in_one_text(world, form, which):
    keys = [world.sensors[name].pk for name in which]
    found = Sensor.objects.filter(pk__among=form(keys))
    assert keys_of(found) == keys_of(Sensor.objects.filter(pk__in=keys))
    others = Sensor.objects.exclude(pk__among=form(keys))
    assert keys_of(others) == keys_of(Sensor.objects.exclude(pk__in=keys))


def test_keys_of_other_tables_are_found_through_relations(world):
    machines = [world.machines["A1"].pk, world.machines["B2"].pk, -1]
    found = Sensor.objects.filter(installations__machine__among=machines)
    assert keys_of(found) == keys_of(Sensor.objects.filter(installations__machine__in=machines))
    assert found.count() == 4
    assert Sensor.objects.filter(dealer__among=[world.dealers["A"].pk]).count() == 4


def test_uuids_are_found_in_a_column_of_their_own_and_in_one_that_refers_to_it(world):
    records = [world.season("A1", year).calibration.pk for year in (2023, 2024, 2025)]
    wanted = [records[2], uuid.uuid4(), records[0]]
    for rows in (Calibration.objects.all(), Fit.objects.order_by("pk")):
        assert keys_of(rows.filter(pk__among=wanted)) == sorted(map(str, records[::2]))
        assert keys_of(rows.filter(pk__among=[])) == []
    assert Fit.objects.filter(calibration__among=wanted).count() == 2


def test_many_keys_are_one_parameter(world):
    """More than SQLite takes parameters for (250,000 where it was built with Django's limit)."""
    keys = range(300_000)
    with CaptureQueriesContext(connection) as captured:
        found = list(Sensor.objects.filter(pk__among=Keys(",".join(map(str, keys)))))
    assert len(captured) == 1
    assert len(found) == 8
    assert Sensor.objects.filter(pk__among=list(keys)).count() == 8
