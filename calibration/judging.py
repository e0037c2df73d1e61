"""From records to verdicts: read arrays, fit, compare, judge, and write what differs.

The post of one calibration, the import of a file and the scan of the fleet all come through
`outcomes_of`; one sensor is the case N = 1.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from uuid import UUID

import numpy as np
from django.db import transaction
from numpy.typing import NDArray

from calibration import (
    columns,
    company,
    due,
    fingerprint,
    flagging,
    flags,
    neighbours,
    outcomes,
    packing,
    uncounted,
    weighing,
)
from calibration.arrays import History, assemble, uuids
from calibration.cases import Case, without_line
from calibration.company import Moved
from calibration.fingerprint import STEP, Digests
from calibration.flags import FlagChange
from calibration.learning import taught
from calibration.metrology import fit
from calibration.models import Fit, Judgement
from calibration.outcomes import Outcome
from calibration.policies import Rulebook
from calibration.recorded import Recorded, read_recorded

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

JUDGED_KINDS = flagging.KINDS
# What others' verdicts rest on, beside the step: the line.
_LINE = ("slope", "offset")
_STORED_LINES = columns.Reading(
    Fit.objects.order_by,
    "pk",
    {
        "id": ("pk", "uuid"),
        **{name: (name, "real") for name in _LINE},
        **{name: (f"calibration__judgement__{name}", "real") for name in STEP},
    },
    uuids=True,
)


@dataclass(frozen=True)
class Judged:
    """What judging came to.

    Attributes
    ----------
    touched
        Other sensors whose verdicts rest on what changed: they share a day and reference, or the
        machine, with it.
    verdicts
        Of the calibrations of which the caller wanted to be told.
    """

    sensors: int = 0
    flags: FlagChange = field(default_factory=FlagChange)
    rows_written: int = 0
    touched: frozenset[int] = frozenset()
    verdicts: Mapping[UUID, str] = field(default_factory=dict)

    def __add__(self, other: "Judged") -> "Judged":
        """Return both together."""
        return Judged(
            self.sensors + other.sensors,
            self.flags + other.flags,
            self.rows_written + other.rows_written,
            self.touched | other.touched,
            {**self.verdicts, **other.verdicts},
        )


@dataclass(frozen=True)
class Known:
    """What a caller has read that judging would read otherwise.

    Attributes
    ----------
    book
        The rules.
    kept
        What is stored beside the histories of the sensors, which are locked.
    told
        Calibrations of which the verdicts are wanted.
    """

    book: Rulebook | None = None
    kept: packing.Kept | None = None
    told: Sequence[UUID] = ()


def outcomes_of(
    recorded: Recorded,
    *,
    abroad: Callable[[History], Bools] | None = None,
    book: Rulebook | None = None,
) -> Outcome:
    """Return what follows from some recorded calibrations; the one way to a verdict.

    Whoever shares a day, a reference or a machine with them is read from what is stored. With
    `abroad`, everybody is among them already, but for the company of the calibrations of a
    history that it says True of, and for the sensors of others on their machines. The rules are
    read where there is no `book` of them.
    """
    history = assemble(recorded)
    lines = fit.fit_lines(history.points, history.reference_pct)
    history = without_line(history, lines)
    case = Case(history, lines, book or Rulebook())
    fleet = taught(*case.families)
    ask = np.ones(len(case.keep), dtype=bool) if abroad is None else abroad(case.history)
    siblings = company.read_siblings(case.history, case.pairs, ask)
    found = weighing.look(case, fleet, siblings)
    surprising = np.flatnonzero(found[2].level)
    around = neighbours.lines_of(case.history, case.state)
    asking = neighbours.beside_others(case.history, surprising)
    around += neighbours.read_lines(case.history, asking)
    beside = neighbours.neighbours(case.history, surprising, around)
    weighed = weighing.weigh(case, fleet, found, beside)
    return outcomes.outcome_of(history, weighed, siblings)


@transaction.atomic(savepoint=False)
def judge(
    sensor_ids: Sequence[int],
    *,
    now: datetime,
    recorded: Recorded | None = None,
    known: Known | None = None,
) -> Judged:
    """Judge the whole history of these sensors and store what follows, where it differs.

    Call it with the sensors locked. `recorded` is what was recorded of them, where the caller
    knows that; otherwise their records are read. So is what else it does not know.
    """
    if recorded is None:
        recorded = read_recorded(sensor_ids)
    if not len(recorded):
        change = flags.settle(sensor_ids, JUDGED_KINDS, [], now=now)
        return Judged(len(sensor_ids), change, due.refresh(sensor_ids, now=now).changed)
    known = known or Known()
    outcome = outcomes_of(recorded, book=known.book)
    sensor = np.unique(np.array(sensor_ids, dtype=np.int64))
    moved, judged = settle(outcome, recorded, sensor, now=now, known=known)
    return replace(
        judged,
        touched=company.read_touched(outcome.history, moved, outcome.siblings),
        verdicts=_verdicts(outcome, known.told),
    )


def _verdicts(outcome: Outcome, ids: Sequence[UUID]) -> dict[UUID, str]:
    """The verdicts of those of these calibrations that have one."""
    if not ids:
        return {}
    keys = np.frombuffer(b"".join(key.bytes for key in ids), dtype="V16")
    at = np.flatnonzero(np.isin(outcome.judgements["calibration"], keys))
    found = uuids(outcome.judgements["calibration"][at])
    levels = outcome.judgements["verdict"][at].tolist()
    return {key: outcomes.LEVELS[level] for key, level in zip(found, levels, strict=True)}


def settle(
    outcome: Outcome,
    recorded: Recorded,
    sensor: Ints,
    *,
    now: datetime,
    known: Known | None = None,
) -> tuple[Moved, Judged]:
    """Store what follows for some sensors, their flags and due days with it, where it differs.

    Parameters
    ----------
    outcome, recorded : Outcome, Recorded
        Of these sensors, and of others perhaps.
    sensor : (N,) array
        Sorted keys; they are locked. Those of which nothing was recorded have no more than a due
        day.
    """
    weighed, known = outcome.weighed, known or Known()
    its = np.intersect1d(sensor, recorded.sensor)
    moved, written = store(outcome, recorded, its, now=now, kept=known.kept)
    asked = flagging.flags_of(weighed)
    theirs = np.isin(weighed.case.history.sensor[asked.index], sensor)
    wanted = flagging.wanted(weighed, asked.take(theirs))
    bare = known.kept.unflagged if known.kept else frozenset()
    change = flags.settle(sensor.tolist(), JUDGED_KINDS, wanted, now=now, bare=bare)
    written += due.settle(outcomes.newest(outcome, sensor), now=now, book=known.book).changed
    return moved, Judged(len(sensor), change, written)


def store(
    outcome: Outcome,
    recorded: Recorded,
    sensor: Ints,
    *,
    now: datetime,
    kept: packing.Kept | None = None,
) -> tuple[Moved, int]:
    """Write what follows for those of these sensors whose outcome is not the stored one.

    Parameters
    ----------
    outcome, recorded : Outcome, Recorded
        Of these sensors, and of others perhaps.
    sensor : (N,) array
        Sorted keys; they are locked.

    Returns
    -------
    Moved
    int
        How many rows were written.
    """
    digests = fingerprint.digests(outcome)
    found = digests.of(sensor)
    kept = kept or packing.read_kept(sensor.tolist())
    differing, which, new = _differing(digests, sensor, found, kept)
    line, judgement = which.T
    moved = _moved(outcome, line, new)
    written = columns.upsert(Fit, outcome.fit_rows(np.flatnonzero(line)))
    for part in outcome.judgement_rows(np.flatnonzero(judgement[outcome.weighed.case.keep])):
        written += columns.upsert(Judgement, part)
    gone = outcome.history.superseded & which.any(axis=1)
    if gone.any():
        dropped = Judgement.objects.filter(pk__in=uuids(outcome.history.ids[gone]))
        written += dropped.delete()[0]
    own = np.isin(digests.sensor, sensor)
    dealer = outcome.history.dealer[np.searchsorted(outcome.history.sensor, sensor)]
    owner = outcome.history.references.owner
    judged = packing.Judged(found, digests.each[own], dealer, owner, kept.alone)
    written += packing.keep(recorded.of(sensor), judged)
    uncounted.leave(outcomes.looks_of(outcome, differing), now=now)
    return moved, written


def _differing(
    digests: Digests, sensor: Ints, found: Ints, kept: packing.Kept
) -> tuple[Ints, Bools, Bools]:
    """Which sensors are not as stored, what of their calibrations, (M, 2), and which are new."""
    stored, keys = (np.array(each, dtype=np.int64) for each in (kept.outcome, kept.sensor))
    at, there = columns.located(keys, sensor)
    same = there.copy()
    same[there] = stored[at[there]] == found[there]
    differing = sensor[~same]
    unknown, believed = digests.unknown(kept.digests, stored)
    new = digests.never_stored(unknown[:, 0], keys, believed)
    return differing, unknown & np.isin(digests.sensor, differing)[:, None], new


def _moved(outcome: Outcome, which: Bools, new: Bools) -> Moved:
    """Those of these calibrations whose stored line or step is not what it is now.

    Of `new` ones nothing is stored, and nothing is read.
    """
    history, judged = outcome.history, outcome.weighed.case
    names = _LINE + STEP
    was, now = (np.full((len(history), len(names)), np.nan) for _ in range(2))
    now[:, : len(_LINE)] = np.stack([outcome.fits[name] for name in _LINE], axis=1)
    now[judged.keep, len(_LINE) :] = np.stack(
        [outcome.judgements[name].astype(np.float64) for name in STEP], axis=1
    )
    stored = _STORED_LINES.of(history.ids[which & ~new])
    at, there = columns.located(stored["id"], history.ids)
    was[there] = np.stack([stored[name] for name in names], axis=1)[at[there]]
    same = ((now == was) | (np.isnan(now) & np.isnan(was))).all(axis=1)
    before = names.index("step_reference")
    return Moved(which & ~same, was[:, before], now[:, before])
