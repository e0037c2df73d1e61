"""Histories continued by records that were just sealed, without reading these back.

Packs are believed where they and the new records are as many as the sensor's chain is long; what
else there is, `histories` knows.
"""

from collections import defaultdict
from collections.abc import Sequence
from operator import attrgetter

import numpy as np
from django.db.models import Exists, OuterRef

from calibration import columns
from calibration.columns import moment_of
from calibration.histories import note_superseded, recorded_of, together
from calibration.ledger import Sealed
from calibration.models import (
    STARTS_SEGMENT,
    DriftFlag,
    FunctionalTest,
    FurtherCompany,
    PackedHistory,
    Stage,
)
from calibration.packing import Kept, is_whole, unpacked
from calibration.recorded import HEAD, Recorded, merged
from calibration.validating import local_day
from fleet import units
from fleet.seasons import season_of
from fleet.statements import Statement

# Of what else most sensors have nothing: it is only read where there is something.
_OTHERS = (FurtherCompany, DriftFlag, FunctionalTest)
_PACKS = Statement(
    lambda mark: (
        PackedHistory.objects.filter(columns.among("pk", [mark]))
        .order_by("pk")
        # Who forgets packs waits for us, and forgets what we write.
        .select_for_update(no_key=True, of=("self",))
        .values_list(
            "pk", "calibrations", "heads", "points", "outcome", "digests",
            *(Exists(model.objects.filter(sensor=OuterRef("pk"))) for model in _OTHERS),
        )
    )
)  # fmt: skip


def continued(sealed: Sequence[Sealed]) -> tuple[Recorded, Kept]:
    """Return what was recorded of the sensors of these records, which were just sealed.

    And what is stored of them beside it, which was read with it. Call it with the sensors locked;
    the records are all that were sealed since they were packed.
    """
    sealed = sorted(sealed, key=attrgetter("in_time"))
    packed, counts, kept = _packed(sorted({each.sensor_id for each in sealed}))
    ends: dict[int, int] = defaultdict(int)
    for each in sealed:
        counts[each.sensor_id] += 1
        ends[each.sensor_id] = max(ends[each.sensor_id], each.chain_number)
    both, doubtful = together(packed, _recorded(sealed))
    unsure = {key for key, end in ends.items() if counts[key] != end} | set(doubtful.tolist())
    if unsure:
        known = both.without(np.array(sorted(unsure)))
        both = merged(known, recorded_of(sorted(unsure)))
    superseded = [row.draft.supersedes for row in sealed if row.draft.supersedes]
    replaced = b"".join(old.pk.bytes for old in superseded)
    note_superseded(both, np.frombuffer(replaced, dtype=HEAD["id"]))
    return both, kept


def overtaking(known: Recorded, sealed: Sequence[Sealed]) -> set[int]:
    """Return the sensors of which there was a record already that stands after one of these."""
    ids = np.frombuffer(b"".join(each.id.bytes for each in sealed), dtype=HEAD["id"])
    new = np.isin(known.heads["id"], ids)
    sensor, first = np.unique(known.sensor[new], return_index=True)
    first_new = np.flatnonzero(new)[first]
    last = np.searchsorted(known.sensor, sensor, side="right") - 1
    after = np.cumsum(new)
    # Behind the first new one there are more records than new ones.
    overtaken = last - first_new > after[last] - after[first_new]
    return set(sensor[overtaken].tolist())


def _packed(sensor_ids: Sequence[int]) -> tuple[Recorded, dict[int, int], Kept]:
    """The packs that are whole, how many records each sensor's has, and what is kept beside."""
    rows = _PACKS.many(sensor_ids)
    sound = [row[:4] for row in rows if is_whole(row[1], row[2])]
    key, count, heads, points = zip(*sound, strict=True) if sound else ((), (), (), ())
    keys, sizes = (np.array(each, dtype=np.int64) for each in (key, count))
    packed = unpacked(keys, sizes, b"".join(heads), b"".join(points))
    every, outcome, digests = (tuple(row[at] for row in rows) for at in (0, 4, 5))
    without = (frozenset(row[0] for row in rows if not row[at]) for at in (6, 7, 8))
    kept = Kept(every, outcome, digests, *without)
    return packed, defaultdict(int, zip(key, count, strict=True)), kept


def _recorded(sealed: Sequence[Sealed]) -> Recorded:
    """The new records as arrays, in the order given."""
    heads = np.array([_head(each) for each in sealed], dtype=HEAD)
    points = [point[:2] for each in sealed for point in each.draft.points]
    return Recorded(
        np.array([each.sensor_id for each in sealed], dtype=np.int64),
        heads,
        np.array(points, dtype=np.float64),
    )


def _head(sealed: Sealed) -> tuple[object, ...]:
    """What `recorded.read_recorded` says of the same record, once it is stored."""
    draft, seat = sealed.draft, sealed.seat
    pressure = draft.hydraulic_pressure
    starts, into = draft.sensor.dealer.season_start, draft.sensor.model.reading_unit
    return (
        sealed.id.bytes,
        moment_of(draft.performed_at),
        season_of(local_day(draft.sensor, draft.performed_at), starts),
        draft.reason in STARTS_SEGMENT,
        False,
        draft.stage == Stage.AS_FOUND,
        len(draft.points),
        seat.id if seat else -1,
        seat.machine_id if seat else -1,
        draft.reference.pk if draft.reference else -1,
        units.LOAD[draft.load_unit],
        units.reading_factor(draft.reading_unit, into) or 1.0,
        np.nan if pressure is None else float(pressure) * units.PRESSURE[draft.pressure_unit],
    )
