"""Another calendar of a dealer puts stored records into other seasons, also packed ones."""

import pytest

from calibration.models import Judgement, StaleSensor
from calibration.scan import run_scan
from tests.api.conftest import NOW, V1
from tests.calibration.lives import resell


@pytest.mark.parametrize("full", [False, True])
def test_seasons_are_of_the_calendar_that_holds_now(admin, world, full):
    world.season("A1", 2025)
    assert [row.season for row in Judgement.objects.all()] == [2025]
    path = f"{V1}dealers/{world.dealers['A'].pk}/"
    assert admin.patch(path, {"season_start": "10-01"}).status_code == 200
    run_scan(full=full, now=NOW)
    assert [row.season for row in Judgement.objects.all()] == [2024]


def test_what_a_dealer_recorded_is_marked_where_it_is_now(admin, world):
    world.season("A1", 2025)
    resell(world, "A1", "B1")
    StaleSensor.objects.all().delete()
    path = f"{V1}dealers/{world.dealers['A'].pk}/"
    assert admin.patch(path, {"season_start": "10-01"}).status_code == 200
    marked = set(StaleSensor.objects.values_list("sensor__serial", flat=True))
    assert marked == {"S-A1", "S-A2", "S-A2b"}


def test_the_same_calendar_marks_nobody(admin, world):
    path = f"{V1}dealers/{world.dealers['A'].pk}/"
    said = {"season_start": world.dealers["A"].season_start, "name": "Neu"}
    assert admin.patch(path, said).status_code == 200
    assert not StaleSensor.objects.exists()
