"""What a caller wants recorded: frozen drafts, and how a moment that was typed is read."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

from calibration.models import Calibration, FunctionalTest, ReferenceStandard
from fleet.errors import Invalid, Problem
from fleet.models import Installation, Sensor

MOMENT_ACCEPTED = "ISO 8601 like 2026-03-28T09:10:00-05:00"


class PointDraft(NamedTuple):  # a file has hundreds of thousands of them
    """A load and the reading at it, as typed."""

    load: float
    reading: float
    direction: str = "up"


@dataclass(frozen=True)
class CalibrationDraft:
    """A calibration as its caller gives it."""

    sensor: Sensor
    performed_at: datetime
    load_unit: str
    reading_unit: str
    points: tuple[PointDraft, ...]
    id: UUID | None = None
    reason: str = "seasonal"
    stage: str = "as_found"
    reference: ReferenceStandard | None = None
    technician: str = ""
    temperature_c: float | None = None
    hydraulic_pressure: float | None = None
    pressure_unit: str = ""
    note: str = ""
    supersedes: Calibration | None = None
    supersede_reason: str = ""


@dataclass(frozen=True)
class StepDraft:
    """One setpoint of a functional test, as typed."""

    commanded: float
    displayed_mean: float
    displayed_min: float | None = None
    displayed_max: float | None = None
    pressure: float | None = None
    observed: str = "steady"


@dataclass(frozen=True)
class FunctionalDraft:
    """A functional test as its caller gives it."""

    installation: Installation
    performed_at: datetime
    load_unit: str
    pressure_unit: str
    steps: tuple[StepDraft, ...]
    id: UUID | None = None
    technician: str = ""
    note: str = ""
    supersedes: FunctionalTest | None = None
    supersede_reason: str = ""


def resolve_moment(text: Any, zone: ZoneInfo, field: str = "performed_at") -> datetime:
    """Read a moment; without an offset it is the zone's wall clock, and carries the zone.

    Raises
    ------
    Invalid
        If it is no moment, or one that the zone's clock skips or shows twice.
    """
    try:
        moment = datetime.fromisoformat(str(text).strip())
    except ValueError as wrong:
        raise Invalid(
            Problem(field, "Not a date and time", MOMENT_ACCEPTED, str(text)[:60])
        ) from wrong
    if moment.tzinfo is not None:
        return _in_calendar(moment, field)
    early, late = moment.replace(tzinfo=zone, fold=0), moment.replace(tzinfo=zone, fold=1)
    if early.utcoffset() == late.utcoffset():
        return _in_calendar(early, field)
    exists = (early.utcoffset() or timedelta()) > (late.utcoffset() or timedelta())
    what = "shows this time twice" if exists else "skips this time"
    raise Invalid(
        Problem(
            field,
            f"The clock of {zone.key} {what} on that day",
            f"the same with its offset, {MOMENT_ACCEPTED}",
            str(text)[:60],
        )
    )


def wall_clock(moment: datetime) -> datetime | None:
    """Return what was typed of a moment without an offset; None where it had one."""
    return moment.replace(tzinfo=None) if isinstance(moment.tzinfo, ZoneInfo) else None


def _in_calendar(moment: datetime, field: str) -> datetime:
    """Refuse the first and last years of the calendar, where a change of zone overflows."""
    if not 1900 <= moment.year <= 9000:
        raise Invalid(Problem(field, "Not a year of this trade", MOMENT_ACCEPTED, str(moment)))
    return moment
