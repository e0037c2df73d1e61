"""The rule of due days written out for one sensor with dates: the oracle of the arrays."""

from dataclasses import dataclass
from datetime import date, timedelta

from fleet import seasons, workdays


@dataclass(frozen=True)
class One:
    installed_on: date | None
    calibrated_on: date | None
    interval_days: int
    model_days: int
    crossing: date | None
    season_start: str
    country: str = ""


def season_day(calibrated_on, season_start, country):
    served = seasons.season_of(calibrated_on, season_start)
    day = seasons.starts_on(served + 1, season_start) - timedelta(days=1)
    while not workdays.is_worked(day, country):
        day -= timedelta(days=1)
    return day


def due_day(one):
    if one.installed_on is None:
        return None, None
    last = one.calibrated_on
    if last is None:
        return one.installed_on, "never_calibrated"
    if one.model_days not in {0, one.interval_days}:
        candidates = [(last + timedelta(days=one.model_days), "reliability")]
    else:
        candidates = [(last + timedelta(days=one.interval_days), "interval")]
    if one.crossing is not None:
        candidates.append((max(one.crossing, last + timedelta(days=1)), "crossing"))
    candidates.append((season_day(last, one.season_start, one.country), "season"))
    return min(candidates, key=lambda candidate: candidate[0])
