"""Overdue flags: sensors whose due day has passed without a calibration.

The database finds the sensors of which a flag is missing or stands too long; only of these are
rows read. A flag belongs to the calibration that its due day counts from, or to none.
"""

from collections.abc import Iterator, Sequence
from datetime import date, datetime

from django.db.models import Exists, OuterRef, QuerySet

from calibration import flags
from calibration.flags import FlagChange, Wanted
from calibration.models import DriftFlag, DueState
from calibration.together import batches
from fleet.models import Dealer

KIND = DriftFlag.Kind.OVERDUE


def settle_overdue(*, now: datetime) -> FlagChange:
    """Open a flag on every sensor that is overdue today, and close those that no longer are."""
    today = {dealer.pk: now.astimezone(dealer.zone).date() for dealer in Dealer.objects.all()}
    touched: set[int] = set()
    for late in _late(today):
        touched.update(_unflagged(late))
    if today:
        touched.update(_flagged_otherwise(min(today.values())))
    total = FlagChange()
    for some in batches(sorted(touched)):
        total += flags.settle(some, [KIND], _wanted(some, today), now=now)
    return total


def _late(today: dict[int, date]) -> "Iterator[QuerySet[DueState]]":
    """Yield due states whose day has passed: everywhere, and where it is tomorrow already."""
    days = sorted(set(today.values()))
    for place, day in enumerate(days):
        states = DueState.objects.filter(due_on__lt=day).order_by()
        if place:
            there = [dealer for dealer, its in today.items() if its >= day]
            states = states.filter(due_on__gte=days[place - 1], sensor__dealer__in=there)
        yield states


def _unflagged(late: "QuerySet[DueState]") -> Iterator[int]:
    """Yield sensors that are late and have no flag; one that a person closed is one."""
    closed_by_scan = {"status": DriftFlag.Status.CLOSED, "closed_by": None}
    there = DriftFlag.objects.filter(kind=KIND).exclude(**closed_by_scan)
    calibrated = there.filter(calibration=OuterRef("last_calibration"))
    never = there.filter(calibration=None, sensor=OuterRef("sensor"))
    for states in (
        late.filter(~Exists(calibrated), last_calibration__isnull=False),
        late.filter(~Exists(never), last_calibration=None),
    ):
        yield from states.values_list("sensor_id", flat=True)


def _flagged_otherwise(day: date) -> Iterator[int]:
    """Yield sensors with an open flag that is not that of a state which was due before a day."""
    still_open = DriftFlag.objects.filter(kind=KIND).exclude(status=DriftFlag.Status.CLOSED)
    late = DueState.objects.filter(due_on__lt=day).order_by()
    calibrated = late.filter(last_calibration=OuterRef("calibration"))
    never = late.filter(last_calibration=None, sensor=OuterRef("sensor"))
    for rows in (
        still_open.filter(~Exists(calibrated), calibration__isnull=False),
        still_open.filter(~Exists(never), calibration=None),
    ):
        yield from rows.order_by().values_list("sensor_id", flat=True)


def _wanted(sensor_ids: Sequence[int], today: dict[int, date]) -> list[Wanted]:
    """The flags of those that are late; a magnitude stays what it was when it was opened."""
    states = DueState.objects.filter(sensor__in=sensor_ids).order_by("sensor_id")
    rows = states.values_list("sensor_id", "sensor__dealer_id", "due_on", "last_calibration_id")
    return [
        Wanted(
            sensor_id=sensor,
            calibration_id=calibration,
            kind=str(KIND),
            level=str(DriftFlag.Level.BEYOND),
            magnitude=float((today[dealer] - due_on).days),
            tolerance=0.0,
        )
        for sensor, dealer, due_on, calibration in rows
        if due_on < today[dealer]
    ]
