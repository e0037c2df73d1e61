"""The figures by which somebody on duty sees whether the work gets done: read from the rows."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import Count, Min

from calibration.models import Digest, DriftFlag, Reminder, ScanChunk, ScanRun, StaleSensor


@dataclass(frozen=True)
class Gauge:
    """One figure, with its values by label.

    Attributes
    ----------
    name
        The unit stands in it, where there is one.
    says
        What it tells, in one sentence.
    labels
        The names of the labels.
    values
        Label values -> figure; a figure without labels stands under the empty tuple.
    """

    name: str
    says: str
    labels: tuple[str, ...] = ()
    values: Mapping[tuple[str, ...], float] = field(default_factory=dict)


def gauges(*, now: datetime) -> Iterable[Gauge]:
    """Yield the figures; a handful of queries, each of them served by an index or by few rows."""
    yield from _scans(now)
    yield _plain("backlog_sensors", "Sensors that wait to be judged again.", _backlog())
    yield from _flags()
    yield from _reminders(now)


def _plain(name: str, says: str, value: float) -> Gauge:
    return Gauge(name, says, (), {(): value})


def _backlog() -> int:
    return StaleSensor.objects.count()


def _scans(now: datetime) -> Iterable[Gauge]:
    # Chunks of finished runs are done: only those of runs under way are counted.
    running = ScanRun.objects.filter(finished_at=None)
    last = ScanRun.objects.exclude(finished_at=None).order_by("-finished_at", "-pk").first()
    counted = dict.fromkeys(ScanChunk.Status.values, 0) | dict(
        ScanChunk.objects.filter(run__finished_at=None)
        .values_list("status")
        .annotate(n=Count("pk"))
        .order_by()
    )
    yield _plain("scans_under_way", "Scans that have begun and not ended.", running.count())
    yield _plain("scans_recorded", "Scans that have ended.", _ended())
    yield Gauge(
        "scan_chunks",
        "Pieces of the scans under way, by how far they are.",
        ("status",),
        {(status,): float(n) for status, n in counted.items()},
    )
    if last is not None and last.finished_at is not None:
        age = (now - last.finished_at).total_seconds()
        yield _plain("last_scan_age_seconds", "Since the last scan ended.", max(age, 0.0))
        yield _plain("last_scan_judged", "Sensors that the last scan judged.", last.judged)
        yield _plain(
            "last_scan_failed", "Sensors that the last scan could not judge.", len(last.failed)
        )


def _ended() -> int:
    return ScanRun.objects.exclude(finished_at=None).count()


def _flags() -> Iterable[Gauge]:
    rows = (
        DriftFlag.objects.exclude(status=DriftFlag.Status.CLOSED)
        .values_list("kind", "level")
        .annotate(n=Count("pk"))
        .order_by()
    )
    values: dict[tuple[str, ...], float] = {(kind, level): float(n) for kind, level, n in rows}
    yield Gauge("flags_open", "Flags that are not closed.", ("kind", "level"), values)


def _reminders(now: datetime) -> Iterable[Gauge]:
    """What nobody was told yet: open reminders without a day, digests that were not sent."""
    untold = Reminder.objects.filter(status=Reminder.Status.OPEN, last_told_on=None)
    found = untold.aggregate(n=Count("pk"), oldest=Min("created_at"))
    unsent = Digest.objects.filter(sent_at=None).count()
    oldest = (now - found["oldest"]).total_seconds() if found["oldest"] else 0.0
    yield _plain("reminders_unsent", "Open reminders that no e-mail told yet.", found["n"])
    yield _plain(
        "oldest_unsent_reminder_seconds", "Age of the oldest of them; 0: none.", max(oldest, 0.0)
    )
    yield _plain("digests_unsent", "E-mails that were made and not yet sent.", unsent)
