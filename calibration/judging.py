"""From records to verdicts: read arrays, fit, compare, judge, and write what differs.

The post of one calibration, the import of a file and the scan of the fleet all come through
`judge`; one sensor is the case N = 1.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar
from uuid import UUID

import numpy as np
from django.db import models, transaction
from numpy.typing import NDArray

from calibration import arrays, due, flags, outcomes, weighing
from calibration.cases import Case
from calibration.company import read_neighbours, read_siblings, read_touched
from calibration.flags import FlagChange
from calibration.learning import taught
from calibration.metrology import fit
from calibration.models import Fit, Judgement
from calibration.policies import Rulebook
from fleet.models import Sensor

Row = TypeVar("Row", bound=models.Model)

JUDGED_KINDS = ("slope", "offset", "fit", "reference")
STEP = ("step", "u_step", "step_reference", "season")  # what others' verdicts rest on
BATCH = 1000  # sensors judged in one transaction


def batches(sensor_ids: Sequence[int]) -> Iterator[Sequence[int]]:
    """Yield the sensors in batches of one transaction each."""
    for start in range(0, len(sensor_ids), BATCH):
        yield sensor_ids[start : start + BATCH]


@dataclass(frozen=True)
class Judged:
    """What judging came to."""

    sensors: int = 0
    flags: FlagChange = field(default_factory=FlagChange)
    rows_written: int = 0
    touched: frozenset[int] = frozenset()

    def __add__(self, other: "Judged") -> "Judged":
        """Return both together."""
        return Judged(
            self.sensors + other.sensors,
            self.flags + other.flags,
            self.rows_written + other.rows_written,
            self.touched | other.touched,
        )


def lock(sensor_ids: Iterable[int]) -> None:
    """Lock sensors until the transaction ends, in one order for everybody.

    A post to one of them waits until we are done, and we for it: nobody judges half a history.
    Lock before anything else is written: whoever holds a sensor never waits for a mark.
    """
    rows = Sensor.objects.filter(pk__in=list(sensor_ids)).order_by("pk")
    list(rows.select_for_update(no_key=True, of=("self",)).values_list("pk", flat=True))


@transaction.atomic
def judge(sensor_ids: Sequence[int], *, now: datetime) -> Judged:
    """Judge the whole history of these sensors and store what follows, where it differs.

    `touched` names other sensors whose verdicts rest on these, where these changed: those that
    share a day and reference, or the machine, with them.
    """
    lock(sensor_ids)
    history = arrays.read_history(sensor_ids)
    if history is None:
        change = flags.settle(sensor_ids, JUDGED_KINDS, [], now=now)
        written = due.refresh(sensor_ids, now=now).changed
        return Judged(len(sensor_ids), change, written)
    lines = fit.fit_lines(history.points, history.reference_pct)
    changed = _write(Fit, _fit_rows(history, lines), sensor_ids)
    case = Case(history, lines, Rulebook())
    weighed = _weighed(case)
    rows, before = outcomes.judgements(weighed), _steps_stored(sensor_ids)
    written = changed + _write(Judgement, rows, sensor_ids)
    change = flags.settle(sensor_ids, JUDGED_KINDS, outcomes.wanted_flags(weighed), now=now)
    written += due.refresh(sensor_ids, now=now).changed
    # Others rest on the lines and the steps alone; what we now say of them changes nobody.
    moved = changed or before != {row.pk: tuple(getattr(row, n) for n in STEP) for row in rows}
    touched = read_touched(case.history, case.pairs) if moved else frozenset()
    return Judged(len(sensor_ids), change, written, touched)


def _weighed(case: Case) -> weighing.Weighed:
    fleet = taught(*case.families)
    siblings = read_siblings(case.history, case.pairs)
    found = weighing.look(case, fleet, siblings)
    surprising = np.flatnonzero(found[2].level)
    return weighing.weigh(case, fleet, found, read_neighbours(case.history, surprising))


def _steps_stored(sensor_ids: Sequence[int]) -> dict[UUID, tuple[float | None, ...]]:
    rows = Judgement.objects.filter(calibration__sensor_id__in=sensor_ids).values_list("pk", *STEP)
    return {pk: tuple(rest) for pk, *rest in rows}


def _fit_rows(history: arrays.History, lines: fit.Lines) -> list[Fit]:
    columns: dict[str, NDArray[Any]] = {
        "slope": lines.slope,
        "offset": lines.offset,
        "u_slope": lines.u_slope,
        "u_slope_random": lines.u_slope_random,
        "u_offset": lines.u_offset,
        "covariance": lines.covariance,
        "pivot_load": lines.pivot_load,
        "u_pivot": lines.u_pivot,
        "reference_pct": history.reference_pct,
        "degrees_of_freedom": lines.degrees_of_freedom,
    }
    rows = arrays.rows_of(Fit, history.ids, columns, method=fit.METHOD)
    for row, sd, birge in zip(
        rows, lines.residual_sd.tolist(), lines.birge_ratio.tolist(), strict=True
    ):
        if row.degrees_of_freedom:
            row.residual_sd, row.birge_ratio = sd, birge
    return rows


def _write(model: type[Row], rows: Sequence[Row], sensor_ids: Sequence[int]) -> int:
    """Insert or update the rows that differ from what is stored, delete those that are gone."""
    names = [field.attname for field in model._meta.concrete_fields]
    stored = {
        values[0]: values
        for values in model._default_manager.filter(
            calibration__sensor_id__in=sensor_ids
        ).values_list(*names)
    }
    wanted = {row.pk: row for row in rows}
    differing = [
        row
        for pk, row in wanted.items()
        if stored.get(pk) != tuple(getattr(row, name) for name in names)
    ]
    model._default_manager.bulk_create(
        differing,
        batch_size=500,
        update_conflicts=True,
        unique_fields=["calibration"],
        update_fields=[field.name for field in model._meta.concrete_fields[1:]],
    )
    gone = stored.keys() - wanted.keys()
    if gone:
        model._default_manager.filter(pk__in=gone).delete()
    return len(differing) + len(gone)
