"""The rule: on which day a sensor is due, and what decided it. Pure."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from uuid import UUID

from calibration.models import DueState
from fleet import seasons

Decided = DueState.Decided


@dataclass(frozen=True, slots=True)
class Basis:
    """What a due day rests on.

    Attributes
    ----------
    installed_on
        First day of the installation in which the sensor sits now.
    calibrated_on
        Day of its last calibration in that installation, in the dealer's zone; None where there
        is none: numbers from another machine do not count here.
    interval_days
        The policy's interval [d].
    crossing
        The earliest day on which the tolerance is expected to be crossed, where a trend is known.
    season_start
        The dealer's seeding start, MM-DD.
    """

    installed_on: date
    calibrated_on: date | None
    interval_days: int
    crossing: date | None
    season_start: str


@dataclass(frozen=True, slots=True)
class Due:
    """A sensor's due day, what decided it, and the calibration that it counts from."""

    due_on: date
    decided_by: str
    calibration_id: UUID | None = None
    performed_at: datetime | None = None


@lru_cache(maxsize=4096)  # a fleet is calibrated on a few hundred days
def season_day(calibrated_on: date, season_start: str) -> date:
    """Return the last working day before the season after the one that a calibration served."""
    served = seasons.season_of(calibrated_on, season_start)
    return seasons.last_working_day_before(seasons.starts_on(served + 1, season_start))


def due_day(basis: Basis) -> tuple[date, Decided]:
    """Return the earliest of interval, expected crossing and season; on a tie, in that order.

    A crossing that was expected before the calibration is met on the day after it: the
    calibration itself cannot still be due.
    """
    last = basis.calibrated_on
    if last is None:
        return basis.installed_on, Decided.NEVER
    candidates = [(last + timedelta(days=basis.interval_days), Decided.INTERVAL)]
    if basis.crossing is not None:
        candidates.append((max(basis.crossing, last + timedelta(days=1)), Decided.CROSSING))
    candidates.append((season_day(last, basis.season_start), Decided.SEASON))
    return min(candidates, key=lambda candidate: candidate[0])
