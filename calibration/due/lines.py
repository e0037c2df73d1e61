"""A calibration closes its machine's line in the open visit, and the last line the visit."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from uuid import UUID

from django.db.models import F

from calibration.due.needs import due_machines
from calibration.models import Visit, VisitLine
from fleet.models import Installation
from fleet.updating import update


def close_loop(sensor_ids: Sequence[int], *, now: datetime) -> None:
    """Bring the visit lines of these sensors' machines up to date: the sensors were calibrated.

    A line is done when nothing on its machine is due any more. Where nothing is due for another
    reason (a policy, a removed sensor), nobody calls here, and the plan takes the line away.
    """
    machines = Installation.objects.filter(sensor__in=sensor_ids, removed_on=None)
    lines = VisitLine.objects.filter(
        done=False, visit__status__in=Visit.TO_BE_MADE, machine__in=machines.values("machine")
    )
    visit_ids = sorted(set(lines.values_list("visit", flat=True))) if sensor_ids else []
    if not visit_ids:
        return
    list(Visit.objects.filter(pk__in=visit_ids).order_by("pk").select_for_update())
    waiting = list(lines)
    needs = due_machines(
        Installation.objects.filter(machine__in=[line.machine_id for line in waiting]), now=now
    )
    changed = []
    for line in waiting:
        need = needs.get(line.machine_id)
        sensors, done = (need.sensors, False) if need else (line.sensors, True)
        if (line.sensors, line.done) != (sensors, done):
            line.sensors, line.done = sensors, done
            line.done_at = now if done else None
            changed.append(line)
    update(changed, ["sensors", "done", "done_at"])
    finish(visit_ids, now=now)


def finish(visit_ids: Iterable[UUID], *, now: datetime) -> int:
    """Mark open visits done of which every line is done; return how many."""
    waiting = VisitLine.objects.filter(done=False)
    return int(
        Visit.objects.filter(pk__in=visit_ids, status__in=Visit.TO_BE_MADE, lines__isnull=False)
        .exclude(pk__in=waiting.values("visit"))
        .update(status=Visit.Status.DONE, updated_at=now, done_at=now, sequence=F("sequence") + 1)
    )
