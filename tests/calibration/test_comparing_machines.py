"""A machine with sensors of two companies: its neighbours tell of one another all the same."""

import pytest

from calibration import comparing
from calibration.models import DriftFlag, DueState, Fit, Judgement, PackedHistory
from calibration.records import PointDraft
from calibration.scan import run_scan
from calibration.together import Span
from tests.calibration.lives import resell
from tests.calibration.test_scan import rows
from tests.conftest import NOW


def line(zero, span):
    return (PointDraft(0, zero), PointDraft(100, zero + span))


@pytest.fixture
def swapped(world):
    """Return the record of a swapped cable on a resold machine; its neighbour was never here."""
    for year in (2022, 2023, 2024):
        world.season("B1", year, reference=world.references["B"], points=line(25000, 10400))
    resell(world, "B1", "A1")
    world.sensors["B1b"].refresh_from_db()
    for year in (2023, 2024, 2025):
        world.season("B1b", year, reference=world.references["A"])
    swapped = {"reference": world.references["A"], "points": line(25000, 10400)}
    record = world.season("B1b", 2026, **swapped).calibration
    assert len(comparing.companies()) == 2
    assert first_cause(record) == "cable_swapped"
    return record


def first_cause(record):
    return Judgement.objects.get(pk=record.pk).causes[0]["code"]


def test_a_scan_leaves_the_cause_what_it_is(swapped):
    run_scan(full=True, now=NOW)
    assert first_cause(swapped) == "cable_swapped"
    assert [
        len(comparing.compare(Span(key, key)).differing) for key, _ in comparing.companies()
    ] == [0, 0]


@pytest.mark.parametrize("lost", [PackedHistory, Fit, Judgement, DriftFlag])
def test_what_was_lost_is_made_again_as_it_was(swapped, lost):
    """Whichever company comes first, what the other finds reaches it."""
    run_scan(full=True, now=NOW)
    before = rows()
    for model in (lost, PackedHistory, DueState):
        model.objects.all().delete()
    run_scan(full=True, now=NOW)
    assert rows() == before
    assert first_cause(swapped) == "cable_swapped"


def test_the_company_that_comes_first_is_told_by_the_one_that_comes_last(swapped):
    run_scan(full=True, now=NOW)
    before = rows()
    for model in (Fit, Judgement, DriftFlag, PackedHistory):
        model.objects.all().delete()
    run_scan(full=True, now=NOW)
    assert rows() == before
