"""A dealer's calendar, in both hemispheres and around the turn of the year."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet import seasons

STARTS = st.dates(date(2001, 1, 1), date(2001, 12, 31)).map(lambda day: f"{day:%m-%d}")
DAYS = st.dates(date(1960, 1, 1), date(2100, 12, 31))


@pytest.mark.parametrize(
    ("day", "start", "season"),
    [
        (date(2026, 3, 10), "03-20", 2026),
        (date(2025, 11, 20), "03-20", 2026),
        (date(2026, 5, 2), "03-20", 2026),
        (date(2026, 9, 30), "10-01", 2026),
        (date(2026, 3, 1), "10-01", 2025),
        (date(2026, 12, 28), "01-10", 2027),
        (date(2026, 7, 1), "01-10", 2026),
        (date(2024, 2, 29), "03-01", 2024),
    ],
)
def test_a_day_belongs_to_the_season_that_it_prepares_or_follows(day, start, season):
    assert seasons.season_of(day, start) == season


@given(DAYS, STARTS)
def test_the_start_of_its_season_is_at_most_half_a_year_away(day, start):
    season = seasons.season_of(day, start)
    assert abs(day - seasons.starts_on(season, start)) <= timedelta(days=184)


@given(DAYS, STARTS)
def test_seasons_follow_one_another(day, start):
    step = seasons.season_of(day + timedelta(days=1), start) - seasons.season_of(day, start)
    assert step in {0, 1}


@pytest.mark.parametrize("text", ["02-29", "13-01", "3-1", "", "03-32", "aa-bb", "03-20 "])
def test_a_start_that_not_every_year_has_is_refused(text):
    with pytest.raises(ValueError, match=r"."):
        seasons.parse_start(text)
