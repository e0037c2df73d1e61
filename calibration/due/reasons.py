"""Why a sensor is due on its day: every day that competed, in words, and the one that decided."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from calibration.calendars import SeasonCalendar, date_of
from calibration.columns import NO_DATE
from calibration.due import reading
from calibration.due.days import (
    CROSSING,
    DECIDED,
    INTERVAL,
    NEVER,
    RELIABILITY,
    SEASON,
    Basis,
    candidates,
    due_days,
)
from calibration.models import ModelInterval
from calibration.policies import Rule
from fleet import seasons


@dataclass(frozen=True)
class Candidate:
    """One reason to be due, on its day."""

    reason: str
    on: date
    says: str


@dataclass(frozen=True)
class Reasoned:
    """A sensor's due day with everything that competed for it, the earliest first."""

    due_on: date
    decided_by: str
    candidates: tuple[Candidate, ...]

    @property
    def says(self) -> str:
        """Return the sentence of the reason that decided."""
        return next(each.says for each in self.candidates if each.reason == self.decided_by)


def reasons(sensor_ids: Sequence[int]) -> dict[int, Reasoned]:
    """Return why each of these sensors is due on its day; for a page of them, not for a fleet.

    Sensors that sit in no machine have no due day and are left out.
    """
    ids = np.unique(np.array(sensor_ids, dtype=np.int64))
    if not len(ids):
        return {}
    basis, rules = reading.basis_and_rules(reading.newest_of(ids))
    due_on, decided_by = due_days(basis)
    offered = candidates(basis)
    found = {}
    for i, pk in enumerate(ids.tolist()):
        if decided_by[i] < 0:
            continue
        if decided_by[i] == NEVER:
            said = [(NEVER, int(due_on[i]), _never(int(due_on[i])))]
        else:
            days = {code: int(day[i]) for code, day in offered.items()}
            said = list(_said(days, basis, i, *rules.of(i)))
        each = [Candidate(DECIDED[code], date_of(day), words) for code, day, words in said]
        found[pk] = Reasoned(
            date_of(int(due_on[i])),
            DECIDED[decided_by[i]],
            tuple(sorted(each, key=lambda one: (one.on, DECIDED.index(one.reason)))),
        )
    return found


def _never(day: int) -> str:
    return (
        f"It was never calibrated where it sits now (installed on {date_of(day)}): it is due from "
        "that day on."
    )


def _said(
    days: dict[int, int], basis: Basis, i: int, rule: Rule, row: ModelInterval | None
) -> Iterator[tuple[int, int, str]]:
    by_model = int(basis.model_days[i])
    longer = by_model > rule.default_interval_days
    yield INTERVAL, days[INTERVAL], _interval(basis, i, rule, longer=longer)
    if days[RELIABILITY] != NO_DATE and row is not None:
        yield RELIABILITY, days[RELIABILITY], _by_model(row, by_model)
    if days[CROSSING] != NO_DATE:
        yield CROSSING, days[CROSSING], _crossing(rule)
    yield SEASON, days[SEASON], _season(basis.calendars[int(basis.calendar[i])], days[SEASON])


def _interval(basis: Basis, i: int, rule: Rule, *, longer: bool) -> str:
    last = date_of(int(basis.calibrated_on[i]))
    said = (
        f"The policy's interval ends: {rule.default_interval_days} days after its last "
        f"calibration that counts, on {last}."
    )
    more = " Its model's record, which the policy lets lengthen it, goes before."
    return said + more if longer else said


def _crossing(rule: Rule) -> str:
    left = 100 * (1 - max(rule.target_reliability, 0.5))  # as `tending` takes it
    return (
        "Its own trend: from this day on the chance that its slope has left the tolerance of "
        f"{rule.slope_tolerance_pct:g} % is above {left:.3g} %, which is what the policy's target "
        "reliability leaves."
    )


def _by_model(row: ModelInterval, days: int) -> str:
    bound = int(row.lower_days or 0)
    held = "" if days == bound else f"; held at {days} days by the policy's limits"
    return (
        f"Sensors of {row.sensor_model.name}: for {bound} days {100 * row.target:.3g} % of them "
        f"stay in tolerance ({100 * row.confidence:.3g} % sure; {row.outcomes} as-found outcomes, "
        f"{row.beyond} of them out, {row.basis} law){held}."
    )


def _season(calendar: SeasonCalendar, day: int) -> str:
    written = f"{calendar.start // 100:02}-{calendar.start % 100:02}"
    ready = date_of(day)
    start = seasons.starts_on(ready.year, written)
    if start <= ready:
        start = seasons.starts_on(ready.year + 1, written)
    where = f", with the holidays of {calendar.country}" if calendar.country else ""
    return f"The last working day before seeding starts on {start}{where}."
