"""Due days over arrays: against the rule written out for one sensor, and against zoneinfo."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo, available_timezones
from zoneinfo._zoneinfo import ZoneInfo as ReadableZone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import calendars
from calibration.calendars import SeasonCalendar
from calibration.columns import NO_DATE
from calibration.due.days import DECIDED, Basis, due_days, model_days
from fleet import seasons
from tests.calibration.due_rule import One, due_day

DAYS = st.dates(date(1970, 1, 1), date(2090, 1, 1))
STARTS = st.dates(date(2001, 1, 1), date(2001, 12, 31)).map(lambda day: f"{day:%m-%d}")
SENSORS = st.builds(
    One,
    installed_on=st.none() | DAYS,
    calibrated_on=st.none() | DAYS,
    interval_days=st.integers(1, 2000),
    model_days=st.just(0) | st.integers(1, 2000),
    crossing=st.none() | st.dates(date(1, 1, 1), date(9999, 12, 31)) | DAYS,
    season_start=STARTS,
    country=st.sampled_from(["", "PL", "BR", "SA"]),
)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FROM, UNTIL = (datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (2005, 2030))
MOMENTS = st.integers(-600_000_000_000_000, 3_750_000_000_000_000).map(
    lambda at: EPOCH + timedelta(microseconds=at)
)  # 1950 to 2088
ZONES = [
    "UTC", "Europe/Warsaw", "America/New_York", "America/Sao_Paulo", "Pacific/Apia",  # +13
    "Pacific/Kiritimati", "Asia/Kolkata", "Australia/Adelaide", "Australia/Lord_Howe",
    "America/St_Johns", "Asia/Kathmandu", "Africa/Casablanca", "America/Adak", "Africa/Monrovia",
]  # fmt: skip


def arrays(sensors):
    def days(name):
        found = [getattr(one, name) for one in sensors]
        return np.array(
            [NO_DATE if day is None else calendars.number_of(day) for day in found], dtype=np.int64
        )

    kept = sorted(
        {SeasonCalendar(calendars.start_number(o.season_start), o.country) for o in sensors}
    )
    return Basis(
        installed_on=days("installed_on"),
        calibrated_on=days("calibrated_on"),
        interval_days=np.array([one.interval_days for one in sensors], dtype=np.int64),
        crossing=days("crossing"),
        model_days=np.array([one.model_days for one in sensors], dtype=np.int64),
        calendar=np.array(
            [
                kept.index(SeasonCalendar(calendars.start_number(one.season_start), one.country))
                for one in sensors
            ],
            dtype=np.int64,
        ),
        calendars=kept,
    )


def in_words(due_on, decided_by):
    return [
        (None, None) if code < 0 else (calendars.date_of(day), DECIDED[code])
        for day, code in zip(due_on.tolist(), decided_by.tolist(), strict=True)
    ]


def microseconds(moments):
    return np.array([(at - EPOCH) // timedelta(microseconds=1) for at in moments], dtype=np.int64)


def local(moments, zones):
    names = sorted(set(zones))
    zone = np.array([names.index(name) for name in zones], dtype=np.int64)
    found = calendars.local_days(microseconds(moments), zone, names)
    return [calendars.date_of(day) for day in found.tolist()]


@given(st.lists(SENSORS, max_size=20))
def test_the_rule_over_arrays_is_the_rule_for_one_sensor(sensors):
    assert in_words(*due_days(arrays(sensors))) == [due_day(one) for one in sensors]


def test_one_sensor_and_ten_thousand_give_the_same():
    random = np.random.default_rng(7)
    sensors = [
        One(
            date(2015, 1, 1),
            date(2016, 1, 1) + timedelta(days=int(random.integers(4000))),
            int(random.integers(1, 800)),
            int(random.integers(0, 2) * random.integers(100, 800)),
            date(2016, 1, 1) + timedelta(days=int(random.integers(6000))),
            f"{random.integers(1, 13):02}-{random.integers(1, 29):02}",
        )
        for _ in range(10_000)
    ]
    together = in_words(*due_days(arrays(sensors)))
    assert {why for _, why in together} == {"interval", "reliability", "crossing", "season"}
    for place in range(0, 10_000, 97):
        assert in_words(*due_days(arrays(sensors[place : place + 1]))) == [together[place]]


@pytest.mark.parametrize(
    ("lower", "seen", "default", "longest", "days"),
    [
        (None, 900, 365, None, 0),  # nothing is known
        (210.7, 900, 365, None, 210),  # pulled in, in whole days
        (12.0, 900, 365, None, 30),  # never oftener than once in thirty days
        (12.0, 900, 20, None, 20),  # unless the policy's own interval is shorter
        (500.0, 900, 365, None, 365),  # never out beyond the policy's interval
        (500.0, 900, 365, 730, 500),  # unless the policy says so,
        (800.0, 900, 365, 730, 730),  # up to where it says,
        (800.0, 400, 365, 730, 400),  # and no further than anybody has looked
        (800.0, 300, 365, 730, 365),  # which shortens nothing
    ],
)
def test_what_a_models_record_makes_of_an_interval(lower, seen, default, longest, days):
    found = model_days(lower, longest_seen=seen, default_days=default, longest_days=longest)
    assert found == days


@given(st.lists(st.tuples(DAYS, STARTS), min_size=1, max_size=20))
def test_seasons_over_arrays_are_the_dealers_seasons(pairs):
    day = np.array([calendars.number_of(day) for day, _ in pairs], dtype=np.int64)
    start = np.array([calendars.start_number(start) for _, start in pairs], dtype=np.int64)
    expected = [seasons.season_of(day, start) for day, start in pairs]
    assert calendars.seasons_of(day, start).tolist() == expected


def test_nobody_is_due_where_nobody_is():
    due_on, decided_by = due_days(arrays([]))
    assert (len(due_on), len(decided_by)) == (0, 0)
    nothing = np.zeros(0, dtype=np.int64)
    assert len(calendars.local_days(nothing, nothing, [])) == 0


# ── Local days, against zoneinfo ──────────────────────────────────────────────
@given(
    st.lists(
        st.tuples(
            MOMENTS,
            st.sampled_from(ZONES),
        ),
        min_size=1,
        max_size=30,
    )
)
def test_local_days_of_random_moments(pairs):
    moments, zones = zip(*pairs, strict=True)
    expected = [at.astimezone(ZoneInfo(zone)).date() for at, zone in pairs]
    assert local(moments, zones) == expected


@pytest.mark.parametrize("zone", ZONES)
def test_local_days_about_every_midnight_and_every_change_of_the_clock(zone):
    clock = ZoneInfo(zone)
    moments = []
    for year in (1972, 1985, 2011, 2024, 2025, 2038):
        for day in range(0, 366, 1):
            midnight = datetime(year, 1, 1, tzinfo=clock) + timedelta(days=day)
            moments += [
                midnight.astimezone(UTC) + timedelta(microseconds=one)
                for one in (-3_600_000_000, -1_000_000, -1, 0, 1, 1_000_000, 3_600_000_000)
            ]
    expected = [at.astimezone(clock).date() for at in moments]
    assert local(moments, [zone] * len(moments)) == expected


@pytest.mark.parametrize(
    ("zone", "moment", "local_day"),
    [
        ("Pacific/Apia", datetime(2026, 3, 9, 11, 30, tzinfo=UTC), date(2026, 3, 10)),  # +13
        # Samoa had no 2011-12-30: it went to the other side of the date line that night.
        ("Pacific/Apia", datetime(2011, 12, 30, 9, 59, 59, tzinfo=UTC), date(2011, 12, 29)),
        ("Pacific/Apia", datetime(2011, 12, 30, 10, 0, tzinfo=UTC), date(2011, 12, 31)),
        ("Asia/Kolkata", datetime(2026, 3, 9, 18, 29, 59, tzinfo=UTC), date(2026, 3, 9)),  # +5:30
        ("Asia/Kolkata", datetime(2026, 3, 9, 18, 30, tzinfo=UTC), date(2026, 3, 10)),
        # New York 2026: clocks go forward on 03-08, back on 11-01.
        ("America/New_York", datetime(2026, 3, 9, 3, 59, 59, tzinfo=UTC), date(2026, 3, 8)),
        ("America/New_York", datetime(2026, 3, 9, 4, 0, tzinfo=UTC), date(2026, 3, 9)),
        ("America/New_York", datetime(2026, 11, 2, 4, 30, tzinfo=UTC), date(2026, 11, 1)),
        ("America/New_York", datetime(2026, 11, 2, 5, 0, tzinfo=UTC), date(2026, 11, 2)),
    ],
)
def test_days_that_a_calendar_shows(zone, moment, local_day):
    assert local([moment], [zone]) == [local_day]


def test_changes_of_the_clock_are_found_to_the_second():
    """Every change of every zone, as its own table has it (the database of IANA)."""
    for name in sorted(available_timezones()):
        zone = ReadableZone(name)
        table = zip(zone._trans_utc, zone._ttinfos, strict=True)
        listed = [(at, int(info.utcoff.total_seconds())) for at, info in table]
        real = [pair for before, pair in pairwise([(0, None), *listed]) if before[1] != pair[1]]
        wanted = [(at, offset) for at, offset in real[1:] if FROM < at < UNTIL]
        found = [pair for year in range(2005, 2030) for pair in calendars._changes(name, year)[1:]]
        assert found == wanted, name


def test_no_zone_changes_its_clock_twice_within_a_step():
    for name in available_timezones():
        zone = ReadableZone(name)
        offsets = [info.utcoff for info in zone._ttinfos]
        real = [
            at
            for at, before, after in zip(zone._trans_utc[1:], offsets, offsets[1:], strict=False)
            if before != after
        ]
        assert all(later - at > calendars._STEP_S for at, later in pairwise(real)), name
