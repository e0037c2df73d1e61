"""Overdue flags: sensors whose due day has passed without a calibration."""

from datetime import date, datetime

from calibration import flags
from calibration.flags import FlagChange, Wanted
from calibration.judging import batches
from calibration.models import DriftFlag, DueState
from fleet.models import Dealer

KIND = DriftFlag.Kind.OVERDUE


def settle_overdue(*, now: datetime) -> FlagChange:
    """Open a flag on every sensor that is overdue today, and close those that no longer are."""
    wanted: list[Wanted] = []
    for dealer in Dealer.objects.all():
        today = now.astimezone(dealer.zone).date()
        late = DueState.objects.filter(sensor__dealer=dealer, due_on__lt=today)
        wanted += [_wanted(state, today) for state in late]
    flagged = DriftFlag.objects.filter(kind=KIND).exclude(status=DriftFlag.Status.CLOSED)
    touched = {want.sensor_id for want in wanted} | set(
        flagged.values_list("sensor_id", flat=True)
    )
    by_sensor = {want.sensor_id: want for want in wanted}
    total = FlagChange()
    for some in batches(sorted(touched)):
        here = [by_sensor[pk] for pk in some if pk in by_sensor]
        total += flags.settle(some, [KIND], here, now=now)
    return total


def _wanted(state: DueState, today: date) -> Wanted:
    """The flag; its magnitude stays what it was on the day it was opened."""
    return Wanted(
        sensor_id=state.sensor_id,
        calibration_id=state.last_calibration_id,
        kind=str(KIND),
        level=str(DriftFlag.Level.BEYOND),
        magnitude=float((today - state.due_on).days),
        tolerance=0.0,
    )
