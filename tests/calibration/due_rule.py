"""The rule of due days written out for one sensor with dates: the oracle of the arrays."""

from dataclasses import dataclass
from datetime import date, timedelta

from fleet import seasons


@dataclass(frozen=True)
class One:
    installed_on: date | None
    calibrated_on: date | None
    interval_days: int
    crossing: date | None
    season_start: str


def season_day(calibrated_on, season_start):
    served = seasons.season_of(calibrated_on, season_start)
    return seasons.last_working_day_before(seasons.starts_on(served + 1, season_start))


def due_day(one):
    if one.installed_on is None:
        return None, None
    last = one.calibrated_on
    if last is None:
        return one.installed_on, "never_calibrated"
    candidates = [(last + timedelta(days=one.interval_days), "interval")]
    if one.crossing is not None:
        candidates.append((max(one.crossing, last + timedelta(days=1)), "crossing"))
    candidates.append((season_day(last, one.season_start), "season"))
    return min(candidates, key=lambda candidate: candidate[0])
