"""What is due soon enough to be worth a visit now, by machine.

The plan looks ahead in two ways. In the half year before a dealer's seeding start it takes in all
that falls due before that start; once seeding has begun, only what falls due within the dealer's
lead days. A sensor that was calibrated in the last two weeks and is not overdue waits: it was only
just visited.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from fleet import seasons, workdays
from fleet.models import Dealer, Installation

JUST_VISITED = timedelta(days=14)


@dataclass(frozen=True)
class Window:
    """A dealer's calendar as it stands on one day.

    Attributes
    ----------
    today
        The dealer's local day.
    season
        The season to which the day belongs.
    starts_on
        The next seeding start: visits end before it.
    horizon
        Sensors due up to and including this day are planned.
    """

    today: date
    season: int
    starts_on: date
    horizon: date
    country: str = ""
    subdivision: str = ""

    @property
    def latest(self) -> date:
        """The last working day before the next seeding start."""
        return workdays.last_before(self.starts_on, self.country, self.subdivision)

    def takes(self, due_on: date, calibrated_on: date | None) -> bool:
        """Whether a sensor with this due day has to be visited."""
        if due_on > self.horizon:
            return False
        return (
            due_on <= self.today
            or calibrated_on is None
            or calibrated_on <= self.today - JUST_VISITED
        )


@dataclass(frozen=True)
class Need:
    """One machine that has to be visited."""

    machine_id: int
    customer_id: int
    due_on: date
    sensors: int
    late: bool  # by the dealer's day


def window(now: datetime, *, timezone: str, season_start: str, lead_days: int) -> Window:
    """Return a dealer's calendar at a moment."""
    today = now.astimezone(ZoneInfo(timezone)).date()
    season = seasons.season_of(today, season_start)
    soon = today + timedelta(days=lead_days)
    start = seasons.starts_on(season, season_start)
    if today < start:
        return Window(today, season, start, max(start - timedelta(days=1), soon))
    return Window(today, season, seasons.starts_on(season + 1, season_start), soon)


def window_of(dealer: Dealer, now: datetime) -> Window:
    """Return a dealer's calendar at a moment, with the country's working days."""
    found = window(
        now,
        timezone=dealer.timezone,
        season_start=dealer.season_start,
        lead_days=dealer.reminder_lead_days,
    )
    return replace(found, country=dealer.country, subdivision=dealer.subdivision)


_COLUMNS = (
    "machine_id",
    "machine__customer_id",
    "sensor__due__due_on",
    "sensor__due__last_calibration__performed_at",
    "machine__customer__dealer__timezone",
    "machine__customer__dealer__season_start",
    "machine__customer__dealer__reminder_lead_days",
)


def due_machines(installations: "QuerySet[Installation]", *, now: datetime) -> dict[int, Need]:
    """Return what is due among these open installations, by machine, in one query."""
    found: dict[int, Need] = {}
    windows: dict[tuple[str, str, int], Window] = {}
    rows: Iterable[tuple[int, int, date, datetime | None, str, str, int]]
    rows = installations.filter(removed_on=None, sensor__due__isnull=False).values_list(*_COLUMNS)
    for machine, customer, due_on, performed_at, timezone, start, lead in rows:
        key = (timezone, start, lead)
        if key not in windows:
            windows[key] = window(now, timezone=timezone, season_start=start, lead_days=lead)
        calibrated_on = performed_at and performed_at.astimezone(ZoneInfo(timezone)).date()
        if not windows[key].takes(due_on, calibrated_on):
            continue
        so_far = found.get(machine)
        found[machine] = Need(
            machine,
            customer,
            min(due_on, so_far.due_on) if so_far else due_on,
            so_far.sensors + 1 if so_far else 1,
            due_on < windows[key].today or bool(so_far and so_far.late),
        )
    return found
