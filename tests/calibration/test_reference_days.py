"""A reference's day is the one in its owner's yard.

Local days are compared with the standard library's `zoneinfo` on the IANA time zone database.
"""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import fleetwide, records
from calibration.columns import moment_of
from calibration.models import Calibration, DriftFlag, Judgement, StaleSensor
from calibration.records import PointDraft
from calibration.references import References
from calibration.scan import run_scan
from fleet.models import Dealer
from tests.conftest import NOW, SYSTEM

# Far ahead and behind, changed at midnight, by half an hour, and one that left a day out in 2011.
ZONES = ("UTC", "Australia/Perth", "America/Denver", "Pacific/Kiritimati", "Etc/GMT+12",
         "America/Santiago", "Australia/Lord_Howe", "Pacific/Apia")  # fmt: skip
REFERENCES = References(np.arange(len(ZONES)), np.full(len(ZONES), 0.2), ZONES)
MOMENTS = st.integers(0, 20 * 366 * 24 * 60)  # minutes since 2009
LEFT_OUT = st.integers(1090 * 24 * 60, 1100 * 24 * 60)  # about 2011-12-30


def one(which, value):
    return np.array([which]), np.array([value], dtype=np.int64)


@given(st.integers(0, len(ZONES) - 1), MOMENTS | LEFT_OUT)
def test_a_moment_is_of_the_local_day_and_in_its_span(which, minute):
    at = datetime(2009, 1, 1, tzinfo=UTC) + timedelta(minutes=minute)
    moment = moment_of(at)
    day = REFERENCES.days_of(*one(which, moment))
    assert (
        date(1970, 1, 1) + timedelta(int(day[0])) == at.astimezone(ZoneInfo(ZONES[which])).date()
    )
    since, until = REFERENCES.spans_of(np.array([which]), day)
    assert since[0] <= moment < until[0]
    assert until[0] - since[0] <= 86_400_000_000 * (1 if ZONES[which] == "UTC" else 2)


@pytest.fixture
def perth(world):
    """Four cells of a dealer whose morning at the machines is two days of UTC."""
    Dealer.objects.filter(pk=world.dealers["A"].pk).update(timezone="Australia/Perth")
    for row in (*world.sensors.values(), *world.references.values(), world.dealers["A"]):
        row.refresh_from_db()
    return world


CELLS = ("A1", "A1b", "A2", "A2b")


def morning(world, year, rise, *, hour=23):
    """Calibrate the four cells, half an hour after one another."""
    for i, which in enumerate(CELLS):
        at = datetime(year, 3, 9, hour, 0, tzinfo=UTC) + timedelta(minutes=30 * i)
        draft = world.draft(
            which, performed_at=at, reference=world.references["A"],
            points=(PointDraft(0, 20000), PointDraft(100, 30000 + rise + 3 * i)),
        )  # fmt: skip
        records.record_calibration(draft, scope=SYSTEM, now=max(NOW, at))


def judged():
    names = ("common_members", "reference_moved", "common_change_pct", "verdict", "causes")
    return list(Judgement.objects.order_by("pk").values("pk", *names))


def test_a_morning_in_perth_is_one_day(perth):
    for year, rise in ((2024, 0), (2025, 5), (2026, 420)):
        morning(perth, year, rise)
    records.judge_sealed([perth.sensors[which].pk for which in CELLS], now=NOW)
    last = Judgement.objects.filter(season=2026)
    assert {row.common_members for row in last} == {4}
    assert all(row.reference_moved > 0.9 for row in last)
    # What each said of the others when it was posted, and what all of them say together, agree.
    before = judged()
    StaleSensor.objects.all().delete()
    run_scan(full=True, now=NOW)
    assert judged() == before


def test_a_moved_reference_is_flagged_once_and_named_by_its_owners_day(perth):
    for year, rise in ((2024, 0), (2025, 5), (2026, 420)):
        morning(perth, year, rise)
    run_scan(full=True, now=NOW)
    assert DriftFlag.objects.filter(kind=DriftFlag.Kind.REFERENCE).count() == 1
    told = fleetwide.affected_by(perth.references["A"], scope=SYSTEM)
    assert [day["day"] for day in told["moved_together"]] == ["2026-03-10"]


def test_two_days_of_the_yard_are_two_although_one_of_utc(perth):
    # 15:00 to 16:30 UTC: the evening of the 9th and the night to the 10th.
    for year, rise in ((2024, 0), (2025, 5), (2026, 420)):
        morning(perth, year, rise, hour=15)
    records.judge_sealed([perth.sensors[which].pk for which in CELLS], now=NOW)
    assert {row.common_members for row in Judgement.objects.filter(season=2026)} == {2}
    assert len({row.performed_at.date() for row in Calibration.objects.filter(
        performed_at__year=2026)}) == 1  # fmt: skip
