"""A calibration closes its machine's line in the open visit, and the last line the visit."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from uuid import UUID

from django.db.models import F, Q, QuerySet

from calibration.columns import among
from calibration.due.needs import due_machines
from calibration.models import Visit, VisitLine
from fleet.models import Installation, Machine
from fleet.statements import Statement
from fleet.updating import update


def _lines_of(asked: Q) -> "QuerySet[VisitLine]":
    """Lines that are not done, of the machines in which some sensors sit."""
    machines = Installation.objects.filter(asked, removed_on=None).values("machine")
    return VisitLine.objects.filter(
        done=False,
        visit__status__in=Visit.TO_BE_MADE,
        visit__customer=F("machine__customer"),  # a machine that was resold is not this visit's
        machine__in=machines,
    )


_WAITING = Statement(
    lambda mark: _lines_of(among("sensor", [mark])).order_by().values_list("visit")
)


def close_loop(sensor_ids: Sequence[int], *, now: datetime) -> None:
    """Bring the visit lines of these sensors' machines up to date: the sensors were calibrated.

    A line is done when nothing on its machine is due any more. Where nothing is due for another
    reason (a policy, a removed sensor), nobody calls here, and the plan takes the line away.
    """
    visit_ids = sorted({visit for (visit,) in _WAITING.many(sensor_ids)})
    if not visit_ids:
        return
    lines = _lines_of(among("sensor", sensor_ids))
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


def give_up(machine: Machine, *, now: datetime) -> None:
    """Take a machine out of the open visits to whoever had it before; nothing left: it is off."""
    lines = VisitLine.objects.filter(
        machine=machine, done=False, visit__status__in=Visit.TO_BE_MADE
    ).exclude(visit__customer=machine.customer_id)
    visit_ids = sorted(lines.values_list("visit", flat=True))
    if not visit_ids:
        return
    list(Visit.objects.filter(pk__in=visit_ids).order_by("pk").select_for_update())
    lines.delete()
    finish(visit_ids, now=now)
    empty = Visit.objects.filter(pk__in=visit_ids, status__in=Visit.TO_BE_MADE, lines=None)
    off, why = Visit.Status.CANCELLED, "its last machine was resold"
    empty.update(status=off, cancel_reason=why, updated_at=now, sequence=F("sequence") + 1)


def finish(visit_ids: Iterable[UUID], *, now: datetime) -> int:
    """Mark open visits done of which every line is done; return how many."""
    waiting = VisitLine.objects.filter(done=False)
    return int(
        Visit.objects.filter(pk__in=visit_ids, status__in=Visit.TO_BE_MADE, lines__isnull=False)
        .exclude(pk__in=waiting.values("visit"))
        .update(status=Visit.Status.DONE, updated_at=now, done_at=now, sequence=F("sequence") + 1)
    )
