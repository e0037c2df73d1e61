"""Sensors of one dealer are judged together, so that nobody is judged twice for a sibling."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from calibration import narrowing, stages, together
from calibration.models import Judgement, StaleSensor
from calibration.records import PointDraft
from calibration.scan import run_scan
from tests.calibration.deaths import until_finished
from tests.calibration.test_histories import seal
from tests.conftest import NOW


@given(some.lists(some.integers(1, 60), max_size=12), some.integers(1, 20), some.integers(20, 40))
def test_batches_divide_no_dealer_that_fits(sizes, batch, most):
    dealer = np.repeat(np.arange(len(sizes)), sizes)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(together, "BATCH", batch)
        patch.setattr(together, "TOGETHER", most)
        cut = list(together.batches(range(len(dealer)), dealer))
    assert [key for part in cut for key in part] == list(range(len(dealer)))
    for part in cut:
        whose = np.unique(dealer[list(part)])
        assert len(part) <= most
        assert len(whose) == 1 or len(part) <= batch
    for key, size in enumerate(sizes):
        parts = [part for part in cut if (dealer[list(part)] == key).any()]
        assert len(parts) == -(-size // most) or (size <= batch and len(parts) == 1)


@pytest.fixture
def siblings(world, monkeypatch):
    """Two dealers' sensors, theirs alternating by key, a season of which is sealed, not judged."""
    names = [f"{letter}{number}" for number in range(3, 9) for letter in "AB"]
    for name in names:
        world.add_sensor(name)
    for year in (2024, 2025):
        for name in names:
            world.season(name, year, reference=world.references[name[0]])
    run_scan(full=True, now=NOW)
    when = datetime(2026, 3, 10, 9, tzinfo=UTC)
    points = (PointDraft(0, 20_000), PointDraft(100, 30_400))
    seal(
        world,
        [
            world.draft(
                name, performed_at=when, reference=world.references[name[0]], points=points
            )
            for name in names
        ],
    )
    monkeypatch.setattr(together, "BATCH", 2)


def rounds(run):
    rows = run.chunks.order_by("stage", "number").values_list("stage", "work", "judged")
    return [row for row in rows if row[1] not in ("learn", "close")]


@pytest.mark.parametrize(("chunk", "cut"), [(3, [6, 6]), (100, [12])])
def test_siblings_that_changed_together_are_judged_once(siblings, monkeypatch, chunk, cut):
    monkeypatch.setattr(stages, "MARKED_SENSORS", chunk)
    run = run_scan(now=NOW)
    assert rounds(run) == [(1, "marked", size) for size in cut]
    assert Judgement.objects.filter(common_members__gte=5, performed_at__year=2026).count() == 12


def test_siblings_that_are_judged_apart_are_judged_again(siblings, monkeypatch):
    """So that the test above could fail."""
    monkeypatch.setattr(together, "TOGETHER", 2)
    run = run_scan(now=NOW)
    assert len(rounds(run)) > 1
    assert Judgement.objects.filter(common_members__gte=5, performed_at__year=2026).count() == 12


def test_a_killer_among_siblings_is_found_as_soon_as_any_other(world, killing, monkeypatch):
    """Whom an attempt has judged, its siblings mark again: they must not come first next time."""
    names = [f"A{number}" for number in range(10, 34)]
    for name in names:
        world.add_sensor(name)
    whole = {"reference": world.references["A"]}
    for year in (2024, 2025):
        for name in names:
            world.season(name, year, **whole)
    run_scan(full=True, now=NOW)
    when = datetime(2026, 3, 10, 9, tzinfo=UTC)
    points = (PointDraft(0, 20_000), PointDraft(100, 30_400))
    drafts = [world.draft(name, performed_at=when, points=points, **whole) for name in names]
    seal(world, drafts)
    StaleSensor.objects.update(since=NOW - timedelta(days=1))
    monkeypatch.setattr(together, "TOGETHER", 24)
    monkeypatch.setattr(narrowing, "NARROWER", 5)
    killing(world.sensors["A25"].pk)
    deaths, run = until_finished()
    assert deaths == 4
    assert [each["sensor"] for each in run.failed] == ["S-A25"]
    assert StaleSensor.objects.count() == 1
