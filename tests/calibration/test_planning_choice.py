"""How days are chosen: promises that every plan keeps, and the solver beside the greedy plan.

Great-circle distances are checked against arcs whose length is known without the formula, and
against a published worked example; where a value is from memory, it says so.
"""

import math
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.planning import choosing, solver
from calibration.planning.choosing import choose
from calibration.planning.distance import (
    EARTH_KM,
    UNKNOWN_DRIVE_MIN,
    Place,
    drive_minutes,
    great_circle_km,
)
from calibration.planning.greedy import greedy_plan
from calibration.planning.parts import Work, split
from calibration.planning.problem import (
    MOVED,
    Plan,
    Problem,
    Stop,
    Technician,
    broken,
    cost,
    tour_minutes,
)
from calibration.planning.refusing import why_unplaced
from tests.bench.planning import rural

DAY = 480


def problem(stops, *, days=10, technicians=1, minutes=None, lead=30, home=None):
    each = tuple(minutes) if minutes else (DAY,) * days
    return Problem(
        len(each),
        tuple(Technician(100 + n, home, each) for n in range(technicians)),
        tuple(stops),
        lead,
        50.0,
    )


def stop(n, due=5, *, beyond=0, minutes=60, **values):
    return Stop((n, 1), due, beyond, minutes, **values)


def days_of(found):
    return {i: tour[1] for i, tour in found.assigned.items()}


# ── Distance ──────────────────────────────────────────────────────────────────
POLE, EQUATOR = Place(90, 0), Place(0, 0)


@pytest.mark.parametrize(
    ("one", "other", "arc"),
    [
        (POLE, EQUATOR, 0.5),  # a quarter of a great circle
        (EQUATOR, Place(0, 180), 1.0),  # half of it
        (Place(0, 179.5), Place(0, -179.5), 1 / 180),  # one degree, over the date line
        (Place(60, 0), Place(60, 180), 1 / 3),  # over the pole
        (Place(52, 17), Place(52, 17), 0.0),
    ],
)
def test_arcs_that_are_known_without_the_formula(one, other, arc):
    assert great_circle_km(one, other) == pytest.approx(arc * math.pi * EARTH_KM, abs=1e-9)
    assert great_circle_km(other, one) == great_circle_km(one, other)


def test_a_published_worked_example():
    """Nashville (BNA) to Los Angeles (LAX), 2887.26 km on a sphere of 6372.8 km.

    The worked example of Rosetta Code's task "Haversine formula" (from memory).
    """
    nashville, los_angeles = Place(36.12, -86.67), Place(33.94, -118.40)
    assert great_circle_km(nashville, los_angeles, radius_km=6372.8) == pytest.approx(
        2887.2599506071106, rel=1e-9
    )


def test_a_minute_of_arc_is_a_nautical_mile():
    """1852 m by definition (SI Brochure, table of non-SI units); the sphere is 0.1 % off."""
    assert great_circle_km(EQUATOR, Place(1 / 60, 0)) == pytest.approx(1.852, rel=2e-3)


@given(st.tuples(*[st.floats(-90, 90), st.floats(-180, 180)] * 3))
def test_no_way_is_shorter_than_the_great_circle(at):
    a, b, c = Place(*at[:2]), Place(*at[2:4]), Place(*at[4:])
    assert great_circle_km(a, c) <= great_circle_km(a, b) + great_circle_km(b, c) + 1e-6


def test_a_drive_takes_whole_minutes_and_an_hour_where_nobody_knows():
    degree = Place(1, 0)
    assert drive_minutes(EQUATOR, degree, 50.0) == math.ceil(111.195 / 50 * 60)
    assert drive_minutes(EQUATOR, None, 50.0) == UNKNOWN_DRIVE_MIN
    assert drive_minutes(degree, degree, 50.0) == 0


# ── Promises ──────────────────────────────────────────────────────────────────
places = st.none() | st.builds(Place, st.floats(51, 53), st.floats(16, 19))
minutes_of_days = st.lists(st.sampled_from([0, 240, 480, 600]), min_size=6, max_size=6).map(tuple)


@st.composite
def problems(draw):
    technicians = tuple(
        Technician(n, draw(places), draw(minutes_of_days)) for n in range(draw(st.integers(0, 3)))
    )
    stops = []
    for n in range(draw(st.integers(0, 12))):
        day = draw(st.none() | st.integers(0, 5))
        who = draw(st.none() | st.integers(0, len(technicians) - 1)) if technicians else None
        stops.append(
            Stop(
                (n, 1),
                draw(st.integers(-20, 40)),
                draw(st.integers(0, 2)),
                draw(st.integers(20, 500)),
                draw(places),
                frozenset(draw(st.sets(st.integers(0, 5), max_size=3))),
                day,
                who if day is not None else None,
                draw(st.booleans()) if day is not None else False,
            )
        )
    return Problem(6, technicians, tuple(stops), 14, 50.0)


@settings(max_examples=60, deadline=None)
@given(problems())
def test_every_greedy_plan_keeps_its_promises(asked):
    found = greedy_plan(asked)
    if asked.technicians:
        assert broken(asked, found) == []
    # What is left out fits nowhere: not even at the end of any tour.
    for i, each in enumerate(asked.stops):
        if i in found.assigned or each.fixed:
            continue
        for t, technician in enumerate(asked.technicians):
            for day, minutes in enumerate(technician.minutes):
                if minutes and day not in each.barred:
                    tour = (*found.tours.get((t, day), ()), i)
                    assert sum(tour_minutes(asked, t, tour)) > minutes


@settings(max_examples=40, deadline=None)
@given(problems())
def test_a_plan_that_stands_is_kept(asked):
    first = greedy_plan(asked)
    standing = Problem(
        asked.days,
        asked.technicians,
        tuple(
            Stop(
                each.key, each.due, each.beyond, each.minutes, each.place, each.barred,
                day=first.assigned[i][1], technician=first.assigned[i][0],
            )
            for i, each in enumerate(asked.stops)
            if i in first.assigned and not each.fixed
        ),
        asked.lead_days,
        asked.speed_kmh,
    )  # fmt: skip
    again = choose(standing, seconds=0)
    moved = [i for i, each in enumerate(standing.stops) if days_of(again.plan).get(i) != each.day]
    assert cost(standing, again.plan) <= cost(standing, _where_they_are(standing)) or not moved


def _where_they_are(asked):
    tours = {}
    for i, each in enumerate(asked.stops):
        tours.setdefault((each.technician, each.day), []).append(i)
    return Plan({tour: tuple(stops) for tour, stops in tours.items()})


@pytest.mark.parametrize("seed", range(6))
def test_the_solver_is_never_worse_than_greedy_and_keeps_every_promise(seed):
    pytest.importorskip("ortools")
    asked = rural(seed, stops=25, technicians=3, days=10, standing=seed % 2 == 1)
    chosen = choose(asked, seconds=0.5)
    greedy = greedy_plan(asked)
    assert broken(asked, chosen.plan) == []
    assert chosen.greedy_cost == cost(asked, greedy)
    assert chosen.cost == cost(asked, chosen.plan) <= chosen.greedy_cost
    assert (chosen.made_by == "solver") is (chosen.cost < chosen.greedy_cost)


def test_the_solver_finds_what_greedy_misses():
    pytest.importorskip("ortools")
    costs = [
        (chosen.cost, chosen.greedy_cost)
        for chosen in (
            choose(rural(seed, stops=40, technicians=3, days=10), seconds=1) for seed in (1, 2, 3)
        )
    ]
    assert sum(found for found, _ in costs) < 0.98 * sum(greedy for _, greedy in costs)


def test_a_worse_plan_of_the_solver_is_not_taken(monkeypatch):
    asked = problem([stop(n) for n in range(4)])
    monkeypatch.setattr(solver, "is_installed", lambda: True)
    for worse in (Plan({}), Plan({(0, 0): (0, 1, 2, 3)}), None):
        monkeypatch.setattr(solver, "search", lambda *_, found=worse, **__: found)
        chosen = choose(asked, seconds=1)
        assert (chosen.made_by, chosen.cost) == ("greedy", chosen.greedy_cost)
        assert "nothing better" in chosen.says


def test_without_the_solver_the_plan_is_greedy_and_says_so(monkeypatch):
    monkeypatch.setattr(solver, "is_installed", lambda: False)
    chosen = choose(problem([stop(0)]))
    assert (chosen.made_by, "not installed" in chosen.says) == ("greedy", True)
    assert "no time was given" in choose(problem([stop(0)]), seconds=0).says


def test_a_great_problem_is_not_handed_to_the_solver(monkeypatch):
    monkeypatch.setattr(solver, "MOST_CELLS", 10)
    assert "too many" in choose(problem([stop(n) for n in range(4)])).says


def test_the_same_problem_has_the_same_plan():
    asked = rural(4, stops=15, technicians=2, days=10)
    assert greedy_plan(asked) == greedy_plan(asked)


# ── Consequence ───────────────────────────────────────────────────────────────
def test_the_worst_goes_first_and_the_season_is_full():
    # A day holds three of them: an hour to drive each way and between, an hour's work each.
    asked = problem([stop(n, due=-10 + n, beyond=int(n == 9)) for n in range(10)], days=3)
    found = days_of(choose(asked, seconds=0).plan)
    assert found[9] == 0  # beyond tolerance
    assert sorted(found) == [0, 1, 2, 3, 4, 5, 6, 7, 9]  # the last due is left out


def test_a_worse_new_stop_takes_the_place_of_one_that_matters_less():
    full = [stop(n, due=n, day=n // 3, technician=0) for n in range(9)]
    asked = problem([*full, stop(9, due=2, beyond=1)], days=3)
    for seconds in (0, 0.5):
        found = days_of(choose(asked, seconds=seconds).plan)
        assert 9 in found
        assert len(found) == 9
        assert 8 not in found  # the last due of those that matter least


def test_one_that_matters_no_more_displaces_nobody():
    full = [stop(n, due=n, day=n // 3, technician=0) for n in range(9)]
    asked = problem([*full, stop(9, due=20)], days=3)
    found = days_of(choose(asked, seconds=0).plan)
    assert found == {n: n // 3 for n in range(9)}


def test_a_worse_one_does_not_wait_behind_those_that_can():
    full = [stop(n, due=9, day=n // 3, technician=0) for n in range(6)]
    asked = problem([*full, stop(6, due=9, beyond=3)], days=10)
    found = days_of(choose(asked, seconds=0).plan)
    assert found[6] == 0
    assert sum(found[n] != n // 3 for n in range(6)) == 1  # and one of them moves


def test_replanning_after_one_change_moves_one():
    standing = [stop(n, due=9, day=n // 3, technician=0) for n in range(9)]
    standing[4] = stop(4, due=9, day=1, technician=0, barred=frozenset({1}))
    asked = problem(standing, days=10)
    for seconds in (0, 0.5):
        found = days_of(choose(asked, seconds=seconds).plan)
        assert [n for n in range(9) if found[n] != n // 3] == [4]
        assert cost(asked, choose(asked, seconds=seconds).plan) >= MOVED


def test_an_appointment_stays_on_a_day_that_it_overfills():
    asked = problem(
        [stop(0, minutes=700, day=2, technician=0, fixed=True), stop(1, due=2)], days=4
    )
    found = choose(asked, seconds=0.2).plan
    assert days_of(found)[0] == 2
    assert days_of(found)[1] != 2


def test_near_ones_share_a_day():
    west, east = Place(52, 16), Place(52, 18)
    asked = problem(
        [stop(0, place=west), stop(1, place=east), stop(2, place=west), stop(3, place=east)],
        minutes=(0, DAY, DAY),
        technicians=1,
        home=Place(52, 17),
    )
    found = days_of(choose(asked, seconds=0.5).plan)
    assert found[0] == found[2] != found[1] == found[3]


# ── Reasons ───────────────────────────────────────────────────────────────────
@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        (problem([stop(0)], technicians=0), "the dealer has no active technician"),
        (problem([stop(0)], minutes=(0, 0)), "no technician's working day is left before"),
        (problem([stop(0, barred=frozenset(range(10)))]), "cannot be visited on any of the 10"),
        (problem([stop(0, minutes=400)]), "work takes 6.67 h and the drive 2 h, more than a "),
        (problem([stop(0), stop(1)], minutes=(180,)), "no technician has 1 h and the drive left"),
    ],
)
def test_what_has_no_day_says_why(asked, reason):
    last = len(asked.stops) - 1
    assert last not in choose(asked, seconds=0).plan.assigned
    said = why_unplaced(asked, last, latest=date(2027, 3, 19), starts_on=date(2027, 3, 20))
    assert reason in said


# ── Parts ─────────────────────────────────────────────────────────────────────
works = st.lists(
    st.tuples(st.integers(1, 300), st.integers(0, 50), st.none() | st.integers(1, 3)), max_size=20
)


@given(works, st.integers(50, 400))
def test_no_part_is_longer_than_a_day_unless_one_machine_is(given_works, budget):
    asked = [Work(n, *each) for n, each in enumerate(given_works)]
    parts = split(asked, budget)
    assert parts.keys() == {work.machine for work in asked}
    for part in set(parts.values()):
        its = [work.minutes for work in asked if parts[work.machine] == part]
        assert sum(its) <= budget or len(its) == 1
    stays = [work._replace(part=parts[work.machine]) for work in asked]
    assert split(stays, budget) == parts


def test_what_fits_a_day_is_one_part():
    assert split([Work(1, 100, 5, None), Work(2, 100, 1, None)], 200) == {1: 1, 2: 1}
    assert split([Work(1, 100, 5, None), Work(2, 101, 1, None)], 200) == {2: 1, 1: 2}


def test_a_short_plan_is_searched_for_a_short_time(monkeypatch):
    asked, seen = problem([stop(n) for n in range(4)]), []
    monkeypatch.setattr(solver, "is_installed", lambda: True)
    monkeypatch.setattr(solver, "search", lambda *_, seconds: seen.append(seconds))
    choose(asked, seconds=20)
    assert seen == [4 * choosing.SECONDS_PER_STOP]
