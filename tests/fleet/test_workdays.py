"""Working days: Monday to Friday without a country, else its weekend and public holidays.

Holidays are checked against the laws themselves, named beside each; the days from memory.
"""

from datetime import date, timedelta

import numpy as np
import pytest
from django.core.exceptions import ValidationError
from hypothesis import given
from hypothesis import strategies as st

from fleet import workdays
from fleet.models import Dealer

DAYS = st.dates(date(1970, 1, 1), date(2090, 12, 31))


@pytest.mark.parametrize(
    ("day", "country", "part", "holiday"),
    [
        (date(2027, 5, 3), "PL", "", True),  # Constitution Day (ustawa z 18 stycznia 1951)
        (date(2027, 3, 29), "PL", "", True),  # Easter Monday: Easter is on 28 March 2027
        (date(2027, 3, 26), "PL", "", False),  # Good Friday is worked in Poland,
        (date(2027, 3, 26), "DE", "", True),  # not in Germany
        (date(2027, 1, 6), "DE", "BY", True),  # Epiphany: Bavaria,
        (date(2027, 1, 6), "DE", "NW", False),  # not North Rhine-Westphalia
        (date(2027, 9, 7), "BR", "", True),  # Independence Day (Lei 662/1949)
        (date(2027, 7, 5), "US", "", True),  # 4 July is a Sunday: observed (5 U.S.C. 6103)
        (date(2028, 2, 29), "PL", "", False),
    ],
)
def test_holidays_of_countries(day, country, part, holiday):
    assert workdays.is_holiday(day, country, part) is holiday


def test_a_country_may_rest_on_friday():
    assert not workdays.is_worked(date(2027, 1, 15), "SA")  # a Friday
    assert workdays.is_worked(date(2027, 1, 17), "SA")  # a Sunday


@given(DAYS)
def test_without_a_country_working_days_are_business_days(day):
    assert workdays.is_worked(day) == bool(np.is_busday(day))
    before = np.busday_offset(day, -1, roll="forward").astype(date)
    assert workdays.last_before(day) == before


def test_the_last_day_before_a_season_skips_a_holiday_weekend():
    # Seeding on Tuesday 30 March 2027: Monday is Easter Monday.
    assert workdays.last_before(date(2027, 3, 30)) == date(2027, 3, 29)
    assert workdays.last_before(date(2027, 3, 30), "PL") == date(2027, 3, 26)
    assert workdays.last_before(date(2027, 3, 30), "DE") == date(2027, 3, 25)


def test_working_days_from_one_day_to_another():
    found = list(workdays.worked(date(2027, 4, 30), date(2027, 5, 4), "PL"))
    assert found == [date(2027, 4, 30), date(2027, 5, 4)]
    assert list(workdays.worked(date(2027, 5, 4), date(2027, 5, 3))) == []


@pytest.mark.parametrize(
    ("country", "part", "wrong"),
    [("XX", "", "country"), ("pl", "", "country"), ("PL", "BY", "subdivision"),
     ("", "BY", "subdivision")],
)  # fmt: skip
def test_a_country_or_part_that_there_is_not_is_refused(db, country, part, wrong):
    dealer = Dealer(code="X", name="X", country=country, subdivision=part)
    with pytest.raises(ValidationError) as refused:
        dealer.full_clean()
    assert wrong in refused.value.message_dict


def test_every_country_that_is_offered_has_a_calendar():
    for code in workdays.countries():
        assert isinstance(workdays.is_worked(date(2026, 6, 3) + timedelta(days=1), code), bool)
