"""A record that comes late: the verdicts of those made after it, before and since."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from calibration.columns import among
from calibration.drafts import CalibrationDraft
from calibration.models import Calibration


@dataclass(frozen=True)
class Rejudged:
    """A calibration that was judged again because an older one of its sensor came in."""

    id: UUID
    performed_at: datetime
    verdict_before: str
    verdict: str


class _Standing(NamedTuple):
    performed_at: datetime
    verdict: str


class Standing:
    """The verdicts that stand on calibrations made after the first of some drafts, by sensor."""

    def __init__(self, drafts: Sequence[CalibrationDraft]) -> None:
        self._since: dict[int, datetime] = {}
        for draft in drafts:
            key, at = draft.sensor.pk, draft.performed_at
            self._since[key] = min(at, self._since.get(key, at))
        self._before = self._read(self._since)

    def later_than(self, entered: Iterable[tuple[int, datetime]]) -> list[list[Rejudged]]:
        """Return for each (sensor, moment) those made later, by time, as they are judged now."""
        now = self._read(self._before)
        return [
            [
                Rejudged(key, was.performed_at, was.verdict, now[sensor][key].verdict)
                for key, was in self._before.get(sensor, {}).items()
                if was.performed_at > moment and key in now.get(sensor, {})
            ]
            for sensor, moment in entered
        ]

    def _read(self, sensors: Iterable[int]) -> dict[int, dict[UUID, _Standing]]:
        sensors = list(sensors)
        found: dict[int, dict[UUID, _Standing]] = {}
        if not sensors:
            return found
        # By the records, which have an index for it; a judgement's own columns have none.
        later = Calibration.objects.filter(
            among("sensor", sensors), performed_at__gt=min(self._since.values())
        )
        rows = later.filter(judgement__isnull=False).order_by("performed_at", "pk")
        for key, sensor, moment, verdict in rows.values_list(
            "pk", "sensor_id", "performed_at", "judgement__verdict"
        ):
            found.setdefault(sensor, {})[key] = _Standing(moment, verdict)
        return found
