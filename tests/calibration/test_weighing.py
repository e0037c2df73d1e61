"""Weighing a case: whom not to believe, and what went wrong; one sensor gives the bits of many.

The sensors are invented. Means are checked against `math.fsum`, which rounds once.
"""

from collections import Counter
from dataclasses import fields
from math import fsum

import numpy as np
import pytest

from calibration import company, suspecting, weighing
from calibration.arrays import History
from calibration.calendars import DAY_US
from calibration.cases import Case
from calibration.expecting import Fleet
from calibration.metrology import fit
from calibration.metrology.fit import Points
from calibration.metrology.fleetnoise import DEFAULT
from calibration.metrology.series import Noise, Prior
from calibration.neighbours import Neighbours
from calibration.policies import Rule
from calibration.references import References
from calibration.weighing import Weighed

SEASONS = 8
NOBODY = company.nobody()
EXTRAS = ("tag_zero_reading", "tag_span_reading", "tag_span_load", "pressure")


class _OneRule:
    def rule(self, _model: int, _dealer: int) -> Rule:
        return Rule(3.0, 2.0, 0.5, 0.3, 0.9, 365, None, (500.0, 1000.0), "N", None)


def fleet_history(sensors: int = 160, most_points: int = 7, *, slips: bool = True) -> History:
    """Return sensors on machines of four, with slips in about one calibration of eight."""
    random = np.random.default_rng(20260411)
    size = sensors * SEASONS
    sensor = np.repeat(np.arange(1, sensors + 1), SEASONS)
    counts = random.integers(2, most_points + 1, size)
    own = np.repeat(np.arange(size), counts)
    number = np.arange(len(own)) - (np.cumsum(counts) - counts)[own]
    slip = random.random(size) if slips else np.ones(size)
    slope = np.where(slip < 0.06, 3.2, 7.0) * (1 + random.normal(0, 0.003, size))
    zero = 18000.0 + random.normal(0, 30, size) + np.where((slip > 0.06) & (slip < 0.12), 2500, 0)
    part = np.where(number < 2, number, random.choice([0.0, 0.25, 0.5, 1.0], len(own)))
    load = 3000.0 * part
    reading = zero[own] + slope[own] * load + random.normal(0, 12, len(own))
    points = Points(load, reading, np.zeros_like(load), np.full(len(load), 20.0), counts)
    unknown = np.full(size, np.nan)
    given = {"machine": sensor // 4, "load_factor": 1, "reading_factor": 1, "reading_sd": 20}
    given |= {"reading_min": 0, "reading_max": 100_000}
    extras = {name: unknown + value for name, value in dict.fromkeys(EXTRAS, np.nan).items()}
    extras |= {name: np.zeros(size) + value for name, value in given.items()}
    season = np.tile(np.arange(2018, 2018 + SEASONS), sensors)
    return History(
        ids=np.frombuffer(b"".join(i.to_bytes(16, "big") for i in range(size)), dtype="V16"),
        sensor=sensor,
        model=np.ones(size, dtype=np.int64),
        dealer=np.ones(size, dtype=np.int64),
        moment=(((season - 1970) * 365.25 + 90.3) * DAY_US).astype(np.int64),
        day=(season - 1970) * 365.25 + 90.3,
        date=np.floor((season - 1970) * 365.25 + 90.3).astype(np.int64),
        season=season,
        starts_segment=random.random(size) < 0.04,
        superseded=random.random(size) < 0.03,
        as_found=np.ones(size, dtype=bool),
        installation=sensor // 4,
        reference=sensor % 5 - 1,
        reference_pct=np.full(size, 0.5),
        references=References(np.arange(-1, 4), np.full(5, 0.5), ("UTC",) * 5),
        rated_load=np.full(size, 5000.0),
        lot=np.full(size, "L1"),
        extras=extras,
        points=points,
    )


def neighbours_of(case: Case, index: np.ndarray) -> dict[int, list[tuple[float, float]]]:
    """Return made-up neighbours, none to three; each third calibration shows one's numbers."""
    return {
        i: [(6.5 + 0.1 * k, 17800.0 + 90 * k) for k in range(i % 4)]
        + [(float(case.state.slope[i]), float(case.state.offset[i]))] * (i % 3 == 0)
        for i in index.tolist()
    }


def laid_out(listed: dict[int, list[tuple[float, float]]]) -> Neighbours:
    """Return lists by index as tables."""
    index = np.array(sorted(listed), dtype=np.int64)
    width = max((len(row) for row in listed.values()), default=0)
    table = np.full((len(index), width, 2), np.nan)
    for place, i in zip(table, index.tolist(), strict=True):
        place[: len(listed[i])] = np.array(listed[i]).reshape(-1, 2)
    return Neighbours(index, table[..., 0], table[..., 1])


def weigh(history: History) -> tuple[Weighed, dict[int, list[tuple[float, float]]], Fleet]:
    case = Case(history, fit.fit_lines(history.points, history.reference_pct), _OneRule())
    segments = len(case.families[0])
    noise = Noise(*[np.full(segments, sd**2) for sd in DEFAULT])
    fleet = Fleet(noise, Prior(*[np.full(segments, x) for x in (7.0, 18000.0, 0.04, 2.5e5)]))
    found = weighing.look(case, fleet, NOBODY)
    first_look = {name: value.copy() for name, value in arrays(found[2]).items()}
    neighbours = neighbours_of(case, np.flatnonzero(found[2].level))
    weighed = weighing.weigh(case, fleet, found, laid_out(neighbours))
    assert same(first_look, arrays(found[2]))  # what was handed over is left alone
    return weighed, neighbours, fleet


def arrays(whole: object, within: str = "") -> dict[str, np.ndarray]:
    """Return all arrays in a dataclass and in those within it."""
    found = {}
    for field in fields(whole):
        value = getattr(whole, field.name)
        name = f"{within}{field.name}"
        found |= {name: value} if isinstance(value, np.ndarray) else arrays(value, f"{name}.")
    return found


def same(one: dict[str, np.ndarray], other: dict[str, np.ndarray]) -> bool:
    """Return whether all arrays have the same bits; NaN equals NaN."""
    return one.keys() == other.keys() and all(
        np.array_equal(one[name], other[name], equal_nan=one[name].dtype.kind == "f")
        for name in one
    )


@pytest.fixture(scope="module")
def weighed():
    return weigh(fleet_history())


def test_several_of_one_segment_are_set_aside(weighed):
    found, _, _ = weighed
    aside = Counter(found.case.pairs.segment_index[~found.outlook.trusted].tolist())
    assert max(aside.values()) >= 2
    assert len(aside) < len(found.case.families[0])  # and some segments are left as they were


def test_what_was_judged_anew_in_parts_has_the_bits_of_the_whole(weighed):
    found, neighbours, fleet = weighed
    case, outlook = found.case, found.outlook
    grounds = weighing.Grounds.of(case, fleet, found.shared)
    whole = weighing._outlook(grounds, outlook.trusted)
    assert same(arrays(outlook), arrays(whole))
    surprising = (whole.level > weighing.WITHIN) & whole.expectation.known
    assert found.index.tolist() == np.flatnonzero(surprising).tolist()
    scene = suspecting.Scene(
        case.history, case.pairs, case.lines, case.keep, found.shared, laid_out(neighbours)
    )
    again = suspecting.probabilities(
        scene, whole.expectation, found.index, whole.slow, whole.own_way.moved
    )
    assert (found.chances == again).all()
    assert found.chances.sum(axis=1) == pytest.approx(1.0)


def test_nobody_is_left_who_ought_to_be_set_aside(weighed):
    found, _, _ = weighed
    which = suspecting.to_repeat(found.chances) & found.outlook.trusted[found.index]
    anew = suspecting.of_a_form(found.chances[which])
    assert found.case.confirmed(found.index[which], anew).all()


def test_one_sensor_gives_the_bits_of_all(weighed):
    found, neighbours, fleet = weighed
    sensor = found.case.history.sensor
    for key in np.unique(sensor[~found.outlook.trusted])[:20]:
        rows = np.flatnonzero(sensor == key)
        grounds = weighing.Grounds.of(found.case, fleet, found.shared).take(rows)
        alone = weighing._outlook(grounds, found.outlook.trusted[rows])
        mine = {name: values[rows] for name, values in arrays(found.outlook).items()}
        assert same(arrays(alone), mine)
        suspects = np.intersect1d(rows, found.index)
        scene = suspecting.Scene(
            found.case.history, found.case.pairs, found.case.lines, found.case.keep,
            found.shared, laid_out({i: neighbours.get(i, []) for i in suspects.tolist()}),
        )  # fmt: skip
        outlook = found.outlook
        chances = suspecting.probabilities(
            scene, outlook.expectation, suspects, outlook.slow, outlook.own_way.moved
        )
        assert (chances == found.chances[np.isin(found.index, suspects)]).all()


def test_tables_of_neighbours_serve_as_well_as_lists(weighed):
    found, neighbours, fleet = weighed
    first = weighing.look(found.case, fleet, NOBODY)
    again = weighing.weigh(found.case, fleet, first, laid_out(neighbours))
    assert same(arrays(found.outlook), arrays(again.outlook))
    assert (found.chances == again.chances).all()
    nobody = weighing.weigh(found.case, fleet, first, laid_out({}))
    assert (nobody.chances.shape != found.chances.shape) or (nobody.chances != found.chances).any()


def test_causes_are_made_for_those_asked_for(weighed):
    found, _, _ = weighed
    causes = suspecting.ranked_causes(found.index, found.chances)
    assert list(causes) == found.index.tolist()
    for i in range(len(found.case.history)):
        assert found.causes_of(i) == causes.get(i, [])
    some = found.index[::7]
    assert suspecting.ranked_causes(some, found.chances[::7]) == {
        i: causes[i] for i in some.tolist()
    }


def test_a_case_without_surprises_has_no_suspects():
    found, _, _ = weigh(fleet_history(sensors=3, slips=False))
    assert found.chances.shape == (0, 15)
    assert suspecting.ranked_causes(found.index, found.chances) == {}
    assert found.causes_of(0) == []


def test_neighbours_are_looked_up_by_index():
    given = laid_out({7: [(1.0, 2.0)], 3: [(3.0, 4.0), (5.0, 6.0)], 5: []})
    slope, offset = given.around(np.array([3, 4, 5, 7, 9]))
    nan = np.nan
    assert np.array_equal(
        slope, [[3, 5], [nan, nan], [nan, nan], [1, nan], [nan, nan]], equal_nan=True
    )
    assert np.array_equal(
        offset, [[4, 6], [nan, nan], [nan, nan], [2, nan], [nan, nan]], equal_nan=True
    )
    assert laid_out({}).around(np.array([1, 2]))[0].shape == (2, 0)


@pytest.mark.parametrize(("most", "tolerance"), [(7, 0.0), (90, 1e-14)])
def test_readings_at_one_load_are_averaged(most, tolerance):
    # Up to seven are added one by one as numpy.mean does; of more the last digits may differ.
    history = fleet_history(sensors=20, most_points=most)
    lines = fit.fit_lines(history.points, history.reference_pct)
    index = np.array([0, 5, 5, 17, len(history) - 1, 3])
    found = suspecting.ends(lines, index).T
    stops = np.cumsum(history.points.counts)
    for row, i in zip(found, index.tolist(), strict=True):
        part = slice(int(stops[i] - history.points.counts[i]), int(stops[i]))
        pairs = list(zip(history.points.load[part], history.points.reading[part], strict=True))
        low, high = min(pairs)[0], max(pairs)[0]
        between = [pair for pair in pairs if low < pair[0] < high]
        assert (row[0], row[2], row[6]) == (low, high, len(between))
        for mean, values in (
            (row[1], [reading for load, reading in pairs if load == low]),
            (row[3], [reading for load, reading in pairs if load == high]),
            (row[4], [load for load, _ in between]),
            (row[5], [reading for _, reading in between]),
        ):
            if values:
                assert mean == pytest.approx(fsum(values) / len(values), rel=1e-14, abs=0)
                assert abs(mean - np.mean(values)) <= tolerance * abs(mean)
            else:
                assert np.isnan(mean)
