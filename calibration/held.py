"""A chunk of a scan that is ours: what its worker notes on it, and how its lease is kept."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db.models import F

from calibration import claiming, stages
from calibration.claiming import Clock
from calibration.flags import FlagChange
from calibration.models import ScanChunk
from calibration.stages import Step


@dataclass
class Held:
    """A chunk that is ours, the clock, and whom to tell how far it is."""

    chunk: ScanChunk
    clock: Clock
    told: Callable[[], None]
    renewed: datetime

    @property
    def now(self) -> datetime:
        """The moment that judgements and flags carry: when the worker began."""
        return self.clock.begun

    def keep(self, change: FlagChange | None = None, **values: Any) -> None:
        """Renew the lease and note what was done; raises `LeaseLost`."""
        self.renewed = self.clock.now()
        if change is not None:
            values["flags_opened"] = F("flags_opened") + change.opened
            values["flags_closed"] = F("flags_closed") + change.closed
        claiming.extend(self.chunk, now=self.renewed, **values)

    def renew(self) -> None:
        """Renew the lease when a quarter of it is over; for whoever calls often."""
        if self.clock.now() - self.renewed >= settings.SCAN_LEASE / 4:
            self.keep()

    def complete(self, **values: Any) -> Step:
        """Note that it is done, and begin what follows."""
        return stages.complete(self.chunk, now=self.clock.now(), **values)
