"""Where sensors sat: the installations of some sensors, read once."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date
from typing import NamedTuple, Protocol, Self, TypeVar

from fleet.models import Installation
from fleet.statements import Statement


class _Stay(Protocol):
    """From a day on and up to (not including) a day; None: until now."""

    @property
    def installed_on(self) -> date: ...

    @property
    def removed_on(self) -> date | None: ...


Stay = TypeVar("Stay", bound=_Stay)


class Seat(NamedTuple):
    """One installation, as much of it as a record keeps."""

    id: int
    sensor_id: int
    machine_id: int
    machine_serial: str
    position: str
    installed_on: date
    removed_on: date | None


# The columns of an installation, in the order of a seat's last fields.
STAY = ("machine_id", "machine__serial", "position", "installed_on", "removed_on")
_STAYS = Statement(
    lambda mark: (
        Installation.objects.filter(sensor_id__among=[mark])
        .order_by()
        .values_list("id", "sensor_id", *STAY)
    )
)


class Seats:
    """The installations of the sensors that somebody records for."""

    def __init__(self, rows: Iterable[Seat]) -> None:
        self._by_sensor: dict[int, list[Seat]] = defaultdict(list)
        for row in rows:
            self._by_sensor[row.sensor_id].append(row)

    @classmethod
    def of(cls, sensor_ids: Sequence[int]) -> Self:
        """Read the installations of these sensors."""
        return cls(map(Seat._make, _STAYS.many(sensor_ids)))

    def since(self, sensor_id: int) -> date | None:
        """Return the day on which a sensor was first installed; None where it never was."""
        return min((row.installed_on for row in self._by_sensor[sensor_id]), default=None)

    def at(self, sensor_id: int, day: date) -> Seat | None:
        """Return where a sensor sat on a day; on a day of change, where it came to."""
        rows = self._by_sensor[sensor_id]
        if len(rows) > 1:
            rows = sorted(rows, key=lambda row: (row.installed_on, row.id), reverse=True)
        return seated(rows, day)


def seated(rows: Iterable[Stay], day: date) -> Stay | None:
    """Return the stay that holds a day, of a sensor's stays from the newest on."""
    inside = [row for row in rows if row.installed_on <= day <= (row.removed_on or date.max)]
    staying = (row for row in inside if row.removed_on is None or row.removed_on > day)
    return next(staying, inside[0] if inside else None)
