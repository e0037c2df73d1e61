"""Many at once on PostgreSQL: posts to sensors of one machine and day, and a scan between them."""

from datetime import UTC, datetime

import pytest
from django.db import connection

from calibration import records
from calibration.models import Calibration, Judgement
from calibration.records import PointDraft
from calibration.scan import run_scan
from tests.conftest import NOW, SYSTEM, build_world
from tests.side_by_side import together


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
def test_posts_to_siblings_and_scans_never_wait_in_a_ring():
    world = build_world()
    for which in ("A1", "A1b", "A2", "A2b"):
        world.season(which, 2024, reference=world.references["A"])

    def post(which, year, minute):
        moved = (PointDraft(0, 20000), PointDraft(100, 30400 + minute))
        draft = world.draft(
            which,
            performed_at=datetime(year, 3, 10, 9, minute, tzinfo=UTC),
            reference=world.references["A"],
            points=moved,
        )
        records.record_calibration(draft, scope=SYSTEM, now=NOW)

    actions = [
        lambda which=which, minute=minute: post(which, 2025, minute)
        for minute in range(5)
        for which in ("A1", "A1b", "A2", "A2b")
    ]
    actions[4::5] = [*(lambda: run_scan(now=NOW),) * len(actions[4::5])]
    together(*actions)
    posted = len(actions) - len(actions[4::5])
    assert Calibration.objects.count() == 4 + posted
    assert Judgement.objects.count() == 4 + posted
