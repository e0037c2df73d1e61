"""Packed histories: a sensor's calibrations in one row, read a hundred times faster than records.

Derived and never believed blindly: a row that is missing is made again from the records, and
`verify` compares the others with them.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from django.db.models import F, Q, QuerySet, Value
from django.db.models.functions import Length
from django.db.models.lookups import Exact
from numpy.typing import NDArray

from calibration import columns
from calibration.models import FurtherCompany, PackedHistory, ReferenceStandard
from calibration.recorded import HEAD, Recorded
from calibration.together import dealers_of
from fleet.statements import Statement

Ints = NDArray[np.int64]
Buffer = bytes | NDArray[np.uint8]

_SAID: dict[str, columns.Kind] = {"sensor": "key", "outcome": "key", "calibrations": "key"}

_FURTHER = columns.Reading(
    FurtherCompany.objects.order_by,
    "sensor",
    {"sensor": ("sensor", "key"), "company": ("company", "key")},
)
_OWNERS = Statement(
    lambda mark: (
        ReferenceStandard.objects.filter(columns.among("pk", [mark]))
        .order_by()
        .values_list("pk", "dealer_id")
    )
)


def whole() -> Q:
    """Return the condition that a pack is not forgotten, and laid out as `HEAD` is now.

    One that another release wrote is read from the records and written again, like a missing one.
    """
    size = F("calibrations") * Value(HEAD.itemsize)
    return Q(Exact(Length("heads"), size), calibrations__gt=0)


def is_whole(calibrations: int, heads: bytes | memoryview) -> bool:
    """Whether that holds of a pack."""
    return calibrations > 0 and len(heads) == calibrations * HEAD.itemsize


WIDTH = 16  # bytes of a calibration's two digests


class Kept(NamedTuple):
    """What is stored of some sensors beside their histories.

    Attributes
    ----------
    sensor, outcome, digests
        Of each that has a row.
    alone, unflagged, untested
        Those who are known to have no further company, no flag, and no functional test.
    """

    sensor: Sequence[int]
    outcome: Sequence[int]
    digests: Sequence[bytes]
    alone: frozenset[int] = frozenset()
    unflagged: frozenset[int] = frozenset()
    untested: frozenset[int] = frozenset()


_DIGESTS = Statement(
    lambda mark: (
        PackedHistory.objects.filter(columns.among("pk", [mark]))
        .order_by()
        .values_list("pk", "outcome", "digests")
    )
)


def read_kept(sensor_ids: Sequence[int]) -> Kept:
    """Read what is stored of these sensors; one query."""
    rows = _DIGESTS.many(sensor_ids)
    sensor, outcome, digests = zip(*rows, strict=True) if rows else ((), (), ())
    return Kept(sensor, outcome, digests)


class Judged(NamedTuple):
    """Digests of what was judged of N sensors, and whose they are.

    Those of their M calibrations are `each`, (M, 2). `owner` is the dealer of each reference by
    its key, and `alone` who has no further company, as in `Kept`.
    """

    outcome: Ints
    each: NDArray[np.uint64]
    dealer: Ints
    owner: Mapping[int, int]
    alone: frozenset[int] = frozenset()


def unpack(
    *rows: "QuerySet[PackedHistory, PackedHistory]",
) -> tuple[Recorded, dict[str, NDArray[Any]]]:
    """Read packed histories, a query for each of some rows, none twice; sorted by sensor.

    Returns
    -------
    Recorded
    dict
        As `said_of`.
    """
    parts = [_read(each) for each in rows]
    said = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    heads, points = said.pop("heads"), said.pop("points")
    recorded = unpacked(said["sensor"], said["calibrations"], heads, points)
    found = {name: said[name] for name in _SAID}
    if (np.diff(found["sensor"]) > 0).all():
        return recorded, found
    order = np.argsort(found["sensor"])
    in_order = np.argsort(recorded.sensor, kind="stable")
    return recorded.take(in_order), {name: found[name][order] for name in _SAID}


def _read(rows: "QuerySet[PackedHistory, PackedHistory]") -> dict[str, NDArray[Any]]:
    return columns.read_in_parts(
        rows.order_by().values_list("company", *_SAID, "heads", "points"),
        "company",
        company="key",
        **_SAID,
        heads="bytes",
        points="bytes",
    )


def unpacked(sensor: Ints, calibrations: Ints, heads: Buffer, points: Buffer) -> Recorded:
    """Return what packed histories hold, laid end to end.

    Parameters
    ----------
    sensor, calibrations : (N,) arrays
        Keys, ascending, and how many calibrations each has.
    heads, points
        Of all of them, one after the other.

    Raises
    ------
    ValueError
        If they are not laid out as they are now.
    """
    if len(heads) != calibrations.sum() * HEAD.itemsize:
        message = "packed histories are laid out as another release did"
        raise ValueError(message)
    return Recorded(
        np.repeat(sensor, calibrations),
        np.frombuffer(heads, dtype=HEAD),
        np.frombuffer(points, dtype=np.float64).reshape(-1, 2),
    )


def said_of(*rows: "QuerySet[PackedHistory, PackedHistory]") -> dict[str, NDArray[Any]]:
    """Read `sensor`, `outcome` and `calibrations` of packed histories, by sensor."""
    parts = [columns.read(each.order_by().values_list(*_SAID), **_SAID) for each in rows]
    order = np.argsort(np.concatenate([part["sensor"] for part in parts]))
    return {name: np.concatenate([part[name] for part in parts])[order] for name in _SAID}


def keep(recorded: Recorded, judged: Judged | None = None) -> int:
    """Store the packed histories of all sensors in `recorded`; return how many rows were written.

    Where nothing was judged, stored digests stay, and of a sensor that has none, nothing is said.
    """
    if not len(recorded):
        return 0
    sensor, first, count = np.unique(recorded.sensor, return_index=True, return_counts=True)
    stop = np.cumsum(recorded.heads["points"].astype(np.int64))
    until = stop[first + count - 1]
    since = np.concatenate(([0], until[:-1]))
    dealer = dealers_of(sensor) if judged is None else judged.dealer
    owner = _owners(recorded) if judged is None else judged.owner
    company, further = _companies(recorded, sensor, first, dealer, owner)
    heads, points = recorded.heads.tobytes(), recorded.points.tobytes()
    kinds: dict[str, columns.Kind] = {"sensor": "key", "company": "key", "calibrations": "key"}
    values = {"sensor": sensor, "company": company, "calibrations": count}
    blobs = {
        "heads": _cut(heads, first, first + count, HEAD.itemsize),
        "points": _cut(points, since, until, 16),
    }
    if judged is not None:
        kinds["outcome"], values["outcome"] = "key", judged.outcome
        blobs["digests"] = _cut(judged.each.tobytes(), first, first + count, WIDTH)
    rows = columns.Incoming(kinds, values, blobs)
    written = columns.upsert(PackedHistory, rows)
    _keep_further(sensor, further, frozenset() if judged is None else judged.alone)
    return written


def _cut(content: bytes, since: Ints, until: Ints, width: int) -> list[bytes]:
    places = zip((since * width).tolist(), (until * width).tolist(), strict=True)
    return [content[a:b] for a, b in places]


def _owners(recorded: Recorded) -> dict[int, int]:
    """The dealers of the references that were used."""
    keys = np.unique(recorded.heads["reference"]).tolist()
    return {key: dealer for key, dealer in _OWNERS.many(keys)}  # noqa: C416 - typed so


def _companies(
    recorded: Recorded, sensor: Ints, first: Ints, own: Ints, owner: Mapping[int, int]
) -> tuple[Ints, set[tuple[int, int]]]:
    """The dealer whose reference each sensor met first, else its own; and further dealers."""
    reference = recorded.heads["reference"].astype(np.int64)
    keys, of = np.unique(reference, return_inverse=True)
    dealer = np.array([owner.get(key, -1) for key in keys.tolist()], dtype=np.int64)[of]
    named = np.flatnonzero(dealer >= 0)
    whose, at = np.unique(recorded.sensor[named], return_index=True)
    company = own.copy()
    company[np.searchsorted(sensor, whose)] = dealer[named[at]]
    of_row = np.repeat(company, np.diff(np.append(first, len(recorded))))
    strange = named[dealer[named] != of_row[named]]
    return company, set(
        zip(recorded.sensor[strange].tolist(), dealer[strange].tolist(), strict=True)
    )


def _keep_further(sensor: Ints, wanted: set[tuple[int, int]], alone: frozenset[int]) -> None:
    if not wanted and alone.issuperset(sensor.tolist()):  # as with most sensors
        return
    further = _FURTHER.of(sensor)
    stored = set(zip(further["sensor"].tolist(), further["company"].tolist(), strict=True))
    new = sorted(wanted - stored)
    FurtherCompany.objects.bulk_create(
        [FurtherCompany(sensor_id=key, company=company) for key, company in new],
        ignore_conflicts=True,
    )
    for key, company in stored - wanted:
        FurtherCompany.objects.filter(sensor=key, company=company).delete()
