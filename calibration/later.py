"""A record that comes late: the verdicts of those made after it, before and since."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from calibration.columns import among
from calibration.drafts import CalibrationDraft
from calibration.models import IN_TIME, Calibration


@dataclass(frozen=True)
class Rejudged:
    """A calibration that was judged again because an older one of its sensor came in."""

    id: UUID
    performed_at: datetime
    verdict_before: str
    verdict: str


class _Standing(NamedTuple):
    performed_at: datetime
    stage: str
    verdict: str


class Standing:
    """The verdicts that stand on calibrations made after the first of some drafts, by sensor."""

    def __init__(self, drafts: Sequence[CalibrationDraft]) -> None:
        self._since: dict[int, datetime] = {}
        for draft in drafts:
            key, at = draft.sensor.pk, draft.performed_at
            self._since[key] = min(at, self._since.get(key, at))
        self._before = self._read(self._since)

    def later_than(self, entered: Iterable[CalibrationDraft]) -> list[list[Rejudged]]:
        """Return for each of these drafts those made later, by time, as they are judged now."""
        now = self._read(self._before)
        return [
            [
                Rejudged(key, was.performed_at, was.verdict, now[draft.sensor.pk][key].verdict)
                for key, was in self._before.get(draft.sensor.pk, {}).items()
                if (was.performed_at, was.stage) > (draft.performed_at, draft.stage)
                and key in now.get(draft.sensor.pk, {})
            ]
            for draft in entered
        ]

    def _read(self, sensors: Iterable[int]) -> dict[int, dict[UUID, _Standing]]:
        sensors = list(sensors)
        found: dict[int, dict[UUID, _Standing]] = {}
        if not sensors:
            return found
        # By the records, which have an index for it; a judgement's own columns have none.
        later = Calibration.objects.filter(
            among("sensor", sensors), performed_at__gte=min(self._since.values())
        )
        rows = later.filter(judgement__isnull=False).order_by(*IN_TIME)
        for key, sensor, moment, stage, verdict in rows.values_list(
            "pk", "sensor_id", "performed_at", "stage", "judgement__verdict"
        ):
            found.setdefault(sensor, {})[key] = _Standing(moment, stage, verdict)
        return found
