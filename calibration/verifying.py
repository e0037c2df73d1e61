"""Verify the records: recompute every digest and every chain, and name what does not agree."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from calibration import digests
from calibration.models import Calibration, FunctionalTest
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


def verify(*, progress: Progress | None = None) -> Iterator[Finding]:
    """Yield a finding for every record that was altered, removed or put in another order.

    The removal of a sensor's newest records leaves no gap in its chain; only a digest kept
    elsewhere can show it.
    """
    codes = dict(Dealer.objects.values_list("pk", "code"))
    ids = list(Sensor.objects.order_by("pk").values_list("pk", flat=True))
    for start in range(0, len(ids), _BATCH):
        some = ids[start : start + _BATCH]
        yield from _verify(Calibration, "points", some, codes)
        yield from _verify(FunctionalTest, "steps", some, codes)
        if progress:
            progress(min(start + _BATCH, len(ids)), len(ids))


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
