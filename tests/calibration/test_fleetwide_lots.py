"""Lots against their siblings, and the flag that a bad one gets."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from calibration import flags, fleetwide
from calibration.models import Calibration, DriftFlag, Judgement
from calibration.records import PointDraft
from fleet.models import Sensor, SensorModel
from tests.conftest import NOW, SYSTEM

START = datetime(2019, 3, 10, 9, 0, tzinfo=UTC)
YEAR = timedelta(days=365)


def live(sensor, verdicts, p_out=0.9):
    """Store a first calibration and one a year after it for each verdict: o out, . within."""
    rows = [
        Calibration(
            id=uuid4(), sensor=sensor, dealer_id=sensor.dealer_id, performed_at=START + n * YEAR,
            sensor_serial=sensor.serial, load_unit="daN", reading_unit="count", recorded_at=NOW,
            chain_number=n, content_digest="0", digest="0",
        )
        for n in range(len(verdicts) + 1)
    ]  # fmt: skip
    Calibration.objects.bulk_create(rows)
    Judgement.objects.bulk_create(
        Judgement(
            calibration=row, sensor=sensor, performed_at=row.performed_at, previous=before,
            first=rows[0], season=2020, segment=1,
            verdict="beyond" if verdict == "o" else "within", method="test",
            slope_tolerance_pct=3.0, offset_tolerance=4.0, p_out_slope=p_out, p_out_offset=0.0,
        )
        for before, row, verdict in zip(rows[:-1], rows[1:], verdicts, strict=True)
    )  # fmt: skip
    return rows


def lot(world, name, *lives, dealer="A", model=None):
    """Register a lot: one sensor for each life."""
    made = []
    for number, verdicts in enumerate(lives):
        sensor = Sensor.objects.create(
            dealer=world.dealers[dealer], model=model or world.sensor_model, lot=name,
            serial=f"{name}.{dealer}.{number}",
        )  # fmt: skip
        made.append(live(sensor, verdicts, p_out=0.6 + number / 100))
    return made


def bad_and_good(world):
    """One lot of which 9 of 20 were out, three siblings of which one of 30 was each."""
    bad = lot(world, "BAD", *["o"] * 9, *["."] * 11)
    for name in ("G1", "G2", "G3"):
        lot(world, name, "o", *["."] * 29)
    return bad


def by_lot(rows):
    return {row["lot"]: row for row in rows}


def open_flags():
    return DriftFlag.objects.filter(kind="lot").exclude(status="closed")


def test_a_bad_lot_is_named_and_its_siblings_are_not(world):
    bad_and_good(world)
    found = by_lot(fleetwide.lots(scope=SYSTEM))
    assert {name for name, row in found.items() if row["stands_out"]} == {"BAD"}
    bad = found["BAD"]
    assert (bad["sensors"], bad["calibrations"], bad["out"]) == (20, 20, 9)
    assert bad["share"] == pytest.approx(0.45)
    assert bad["siblings_share"] == pytest.approx(3 / 90)
    # Fisher's test, the exact interval and the false discovery rate, by other libraries
    fisher = stats.fisher_exact([[9, 11], [3, 87]], alternative="greater").pvalue
    assert bad["p_value"] == pytest.approx(fisher, rel=1e-9)
    low, high = proportion_confint(9, 20, method="beta")
    assert (bad["low"], bad["high"]) == (pytest.approx(low), pytest.approx(high))
    names = list(found)
    adjusted = multipletests([found[name]["p_value"] for name in names], method="fdr_bh")[1]
    assert [found[name]["q_value"] for name in names] == pytest.approx(adjusted)


def test_each_sensor_counts_once_and_what_follows_does_not(world):
    lot(world, "L1x", "..o..o", "oooo", "...")
    lot(world, "L2x", ".", ".")
    row = by_lot(fleetwide.lots(scope=SYSTEM))["L1x"]
    assert (row["sensors"], row["out"], row["calibrations"]) == (3, 2, 3 + 1 + 3)


def test_an_old_lot_is_not_worse_for_having_been_looked_at_more_often(world):
    # one look in thirty finds a sensor out, in the old lot and in the new ones
    lot(world, "OLD", *[".o...."] * 12, *["......"] * 56)
    lot(world, "NEW", *["o"] * 2, *["."] * 58)
    found = by_lot(fleetwide.lots(scope=SYSTEM))
    assert found["OLD"]["out"] == 12
    assert found["OLD"]["calibrations"] == 360
    assert not found["OLD"]["stands_out"]
    # by sensors alone it would have been called bad
    table = [[12, 56], [2, 58]]
    assert stats.fisher_exact(table, alternative="greater").pvalue < 0.05


def test_lots_are_compared_within_their_model(world):
    other = SensorModel.objects.create(name="LC-900", rated_load=300.0, load_unit="daN")
    bad_and_good(world)
    for name in ("H1", "H2"):  # all bad alike: none differs from its siblings
        lot(world, name, *["o"] * 10, *["."] * 10, model=other)
    rows = fleetwide.lots(scope=SYSTEM)
    assert {row["lot"] for row in rows if row["stands_out"]} == {"BAD"}
    assert {row["lot"] for row in fleetwide.lots(other, scope=SYSTEM)} == {"H1", "H2"}
    own = by_lot(fleetwide.lots(world.sensor_model, scope=SYSTEM))["BAD"]
    assert own == by_lot(rows)["BAD"]  # the family of tests is the same whoever is asked for


def test_without_siblings_nothing_is_tested(world):
    lot(world, "ONLY", "o", "o", ".")
    lot(world, "", *["."] * 50)  # of no known lot
    (row,) = fleetwide.lots(scope=SYSTEM)
    assert (row["lot"], row["out"], row["stands_out"]) == ("ONLY", 2, False)
    assert (row["siblings_share"], row["p_value"], row["q_value"]) == (None, None, None)
    assert fleetwide.lots(scope=world.scopes["managerB"]) == []


def test_another_dealer_s_sensors_do_not_enter(world):
    lot(world, "X", *["."] * 15)
    lot(world, "Y", *["."] * 15)
    lot(world, "X", *["o"] * 10, dealer="B")
    lot(world, "Y", *["."] * 10, dealer="B")
    north = by_lot(fleetwide.lots(scope=world.scopes["techA"]))
    assert {name: (row["sensors"], row["out"]) for name, row in north.items()} == {
        "X": (15, 0),
        "Y": (15, 0),
    }
    everywhere = by_lot(fleetwide.lots(scope=world.scopes["reviewer"]))
    assert (everywhere["X"]["sensors"], everywhere["X"]["out"]) == (25, 10)
    assert everywhere["X"]["stands_out"]


def test_the_number_of_queries_does_not_grow(world, django_assert_num_queries):
    bad_and_good(world)
    with django_assert_num_queries(4):
        fleetwide.lots(scope=SYSTEM)


def test_one_flag_on_the_worst_sensor(world):
    bad = bad_and_good(world)
    assert fleetwide.settle_lots(now=NOW) == flags.FlagChange(opened=1)
    flag = open_flags().get()
    assert flag.calibration_id == bad[8][1].pk  # the surest of those that were out
    assert (flag.level, flag.status) == ("beyond", "open")
    assert flag.magnitude == pytest.approx(45.0)
    assert flag.tolerance == pytest.approx(100 * 3 / 90)
    (cause,) = flag.causes
    assert set(cause) == {"code", "probability", "says", "check"}
    assert "Lot BAD of LC-500" in cause["says"]
    assert "45 %" in cause["says"]
    assert 0.95 <= cause["probability"] <= 1.0


def test_settling_again_changes_nothing(world):
    bad_and_good(world)
    fleetwide.settle_lots(now=NOW)
    before = list(DriftFlag.objects.values_list())
    with CaptureQueriesContext(connection) as queries:
        assert fleetwide.settle_lots(now=NOW + YEAR) == flags.FlagChange()
    assert list(DriftFlag.objects.values_list()) == before
    assert not [q for q in queries if q["sql"].startswith(("INSERT", "UPDATE"))]


def test_the_flag_stays_where_it_is_when_another_sensor_gets_worse(world):
    bad = bad_and_good(world)
    fleetwide.settle_lots(now=NOW)
    Judgement.objects.filter(pk=bad[0][1].pk).update(p_out_slope=1.0)
    assert fleetwide.settle_lots(now=NOW + YEAR) == flags.FlagChange()
    assert open_flags().get().calibration_id == bad[8][1].pk


def test_what_a_person_closed_stays_closed(world):
    bad_and_good(world)
    fleetwide.settle_lots(now=NOW)
    flags.close(open_flags().get(), user_id=world.users["managerA"].pk, reason="claimed", now=NOW)
    assert fleetwide.settle_lots(now=NOW + YEAR) == flags.FlagChange()
    assert not open_flags().exists()


def test_it_closes_when_the_lot_no_longer_stands_out_and_opens_again(world):
    bad = bad_and_good(world)
    outs = [life[1].pk for life in bad[:9]]
    fleetwide.settle_lots(now=NOW)
    Judgement.objects.filter(pk__in=outs).update(verdict="within")
    assert fleetwide.settle_lots(now=NOW) == flags.FlagChange(closed=1)
    assert not open_flags().exists()
    Judgement.objects.filter(pk__in=outs).update(verdict="beyond")
    assert fleetwide.settle_lots(now=NOW) == flags.FlagChange(opened=1)
    assert DriftFlag.objects.filter(kind="lot").count() == 1


def test_no_lots_no_flags(world):
    assert fleetwide.lots(scope=SYSTEM) == []
    assert fleetwide.settle_lots(now=NOW) == flags.FlagChange()


def test_a_drifting_lot_among_recorded_calibrations(world):
    """Through the records: six of eight cells of one lot lose 5 to 7 % between two seasons."""
    for number in range(8):
        for name, loses in (("P", 500 + 40 * number if number < 6 else 0), ("Q", 0), ("R", 0)):
            which = f"A{name}{number}"
            sensor = world.add_sensor(which)
            Sensor.objects.filter(pk=sensor.pk).update(lot=name)
            world.season(which, 2024)
            span = 30000 - loses + 3 * number
            world.season(which, 2025, points=(PointDraft(0, 20000), PointDraft(100, span)))
    found = by_lot(fleetwide.lots(scope=SYSTEM))
    assert {name: row["out"] for name, row in found.items()} == {"P": 6, "Q": 0, "R": 0}
    assert fleetwide.settle_lots(now=NOW).opened == 1
    flag = open_flags().get()
    assert flag.sensor.lot == "P"
    assert flag.calibration.performed_at.year == 2025
