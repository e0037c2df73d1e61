"""Verify the records: recompute every digest and every chain, and name what does not agree.

What is packed from them is compared as well; it is derived, and made again.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction

from calibration import digests, histories
from calibration.models import Calibration, FunctionalTest
from calibration.policies import mark_anew
from calibration.turns import lock
from fleet.models import Dealer, Sensor

Progress = Callable[[int, int], None]
_BATCH = 200


@dataclass(frozen=True)
class Finding:
    """One record that does not agree with its digest or its place."""

    sensor_serial: str
    kind: str
    record: str
    what: str


def verify(*, now: datetime, progress: Progress | None = None) -> Iterator[Finding]:
    """Yield a finding for every record that was altered, removed or put in another order.

    The removal of a sensor's newest records leaves no gap in its chain; only a digest kept
    elsewhere can show it. A packed history that is not what the records say is named, dropped,
    and its sensor marked for the next scan.
    """
    codes = dict(Dealer.objects.values_list("pk", "code"))
    ids = list(Sensor.objects.order_by("pk").values_list("pk", flat=True))
    for start in range(0, len(ids), _BATCH):
        some = ids[start : start + _BATCH]
        yield from _verify(Calibration, "points", some, codes)
        yield from _verify(FunctionalTest, "steps", some, codes)
        yield from _verify_packs(some, now)
        if progress:
            progress(min(start + _BATCH, len(ids)), len(ids))


def _verify_packs(sensors: list[int], now: datetime) -> Iterator[Finding]:
    suspected = histories.out_of_date(sensors)
    if not suspected:
        return
    with transaction.atomic():
        lock(suspected)  # a record may have come between the two reads
        wrong = histories.out_of_date(suspected)
        mark_anew(wrong, why="its packed history was not what its records say", now=now)
    what = "it was not what the records say; the next scan makes it again"
    for serial in Sensor.objects.filter(pk__in=wrong).values_list("serial", flat=True):
        yield Finding(serial, "packed history", "", what)


def _verify(
    model: type[Calibration | FunctionalTest],
    parts: str,
    sensors: list[int],
    codes: dict[int, str],
) -> Iterator[Finding]:
    chains: dict[int, list[Calibration | FunctionalTest]] = {}
    rows = (
        model.objects.filter(sensor_id__in=sensors)
        .select_related("sensor")
        .prefetch_related(parts)
        .order_by("sensor_id", "chain_number")
    )
    for row in rows:
        chains.setdefault(row.sensor_id, []).append(row)
    for records in chains.values():
        for record, what in digests.check_chain(records, codes):
            yield Finding(records[0].sensor.serial, str(model._meta.verbose_name), record, what)
