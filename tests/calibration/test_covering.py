"""How far an uncertainty is expanded: by Student's t where few residuals stand behind it."""

import numpy as np
import pytest

from calibration import cases, readout
from calibration.metrology.drift import compare
from calibration.metrology.fit import Points, fit_lines
from fleet.models import SensorModel
from tests.conftest import NOW

LOADS = np.array([0.0, 100.0, 200.0])


def fit_of(**values):
    return {
        "u_slope": 0.5, "u_slope_random": 0.3, "birge_ratio": 1.0, "degrees_of_freedom": 1,
    } | values  # fmt: skip


@pytest.mark.golden
@pytest.mark.parametrize(("freedom", "printed"), [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23)])
def test_residuals_alone_ask_for_students_t(freedom, printed):
    # JCGM 100:2008, table G.2, 95 %
    found = readout.coverage_factors(fit_of(degrees_of_freedom=freedom))
    assert found["offset"] == pytest.approx(printed, abs=0.005)


def test_what_is_stated_is_doubled():
    # JCGM 100:2008, 6.3.3
    stated = fit_of(birge_ratio=0.7, degrees_of_freedom=3)
    assert readout.coverage_factors(stated) == {"slope": 2.0, "offset": 2.0}
    two_points = fit_of(birge_ratio=None, degrees_of_freedom=0)
    assert readout.coverage_factors(two_points) == {"slope": 2.0, "offset": 2.0}


def test_a_known_share_adds_degrees_of_freedom():
    # Welch-Satterthwaite, JCGM 100:2008, equation G.2b: 0.5^4 / (0.3^4 / 2) = 15.4; t is 2.13
    found = readout.coverage_factors(fit_of(degrees_of_freedom=2))
    assert found["slope"] == pytest.approx(2.126, abs=0.01)
    assert found["offset"] > found["slope"]


@pytest.mark.parametrize("points", [3, 4, 6])
def test_two_calibrations_that_differ_by_scatter_alone_agree(points):
    """|E_n| stays at or below 1 in 95 % of cases (ISO 13528:2015, 9.7), few residuals or many."""
    rng = np.random.default_rng(7)
    runs = 20_000
    load = np.tile(np.linspace(0.0, 2000.0, points), 2 * runs)
    reading = 12_000 + 12 * load + rng.normal(0, 20, len(load))
    zero, counts = np.zeros_like(load), np.full(2 * runs, points)
    lines = fit_lines(Points(load, reading, zero, zero, counts))
    state = cases.state_of(lines, np.zeros(2 * runs), slice(None))
    old, new = (cases.take_state(state, np.arange(runs) + part * runs) for part in range(2))
    change = compare(
        old, new, same_reference=np.ones(runs, dtype=bool),
        slope_tolerance_pct=np.full(runs, 3.0), offset_tolerance=np.full(runs, 40.0),
    )  # fmt: skip
    for en in (change.en_slope, change.en_offset):
        assert np.mean(np.abs(en) > 1.0) <= 0.055


def test_a_certificate_says_which_factor_it_took(world):
    from calibration import documents
    from calibration.records import PointDraft

    SensorModel.objects.update(repeatability_pct=0.0)
    points = tuple(map(PointDraft, LOADS.tolist(), (12_000.0, 24_030.0, 36_000.0)))
    made = world.season("A1", 2026, points=points).calibration
    data = documents.certificate_data(made, scope=world.scopes["techA"], now=NOW, link="")
    offset = data["results"]["line"][1]
    # One degree of freedom: t = 12.7 (JCGM 100:2008, table G.2)
    assert offset["k"] == "12.7"
    assert offset["expanded"]["value"] == pytest.approx(12.706 * offset["u"]["value"], rel=1e-3)


def test_points_exactly_on_a_line_do_not_tell_how_they_scatter(world):
    from calibration.records import PointDraft

    rising = (12_000.0, 24_000.0, 36_000.0)
    points = tuple(map(PointDraft, LOADS.tolist(), rising))
    found = []
    for which, stated in (("A1", 0.0), ("A2", 0.15)):  # the default of a model that states one
        SensorModel.objects.update(repeatability_pct=stated)
        fit = world.season(which, 2026, points=points).calibration.fit
        found.append((fit.u_slope_random, fit.u_offset))
    assert found[0] == pytest.approx(found[1], rel=1e-12)
    assert found[0][1] > 1.0  # count
