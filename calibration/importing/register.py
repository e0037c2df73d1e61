"""The rows of the register that a file names, read in bulk and kept while it is loaded."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import TypeVar

from django.db.models import Value
from django.db.models.functions import Upper
from django.db.models.lookups import Exact

from calibration.importing.rows import FileRecord
from calibration.models import ReferenceStandard
from fleet.models import Customer, Dealer, Installation, Machine, MachineModel, Sensor, SensorModel

CHUNK = 500
Item = TypeVar("Item")


def in_chunks(items: Iterable[Item]) -> Iterator[list[Item]]:
    """Yield lists of at most `CHUNK` items."""
    listed = list(items)
    for start in range(0, len(listed), CHUNK):
        yield listed[start : start + CHUNK]


class Register:
    """What is known of the names in a file.

    Serials are one over all dealers, whatever their case: what another dealer has is found here,
    and refused in words that tell nothing of it.
    """

    def __init__(self, dealer: Dealer, records: Sequence[FileRecord]) -> None:
        self.dealer = dealer
        self.sensor_models = {row.name: row for row in SensorModel.objects.all()}
        self.machine_models = {row.name: row for row in MachineModel.objects.all()}
        self.references = {
            row.name: row for row in ReferenceStandard.objects.filter(dealer=dealer)
        }
        self._customers = {row.name: row for row in Customer.objects.filter(dealer=dealer)}
        self._sensors: dict[str, Sensor] = {}
        self._machines: dict[str, Machine] = {}
        self._by_sensor: dict[int, list[Installation]] = {}
        self._by_place: dict[tuple[int, str], list[Installation]] = {}
        self._read_sensors({record.said.sensor for record in records})
        self._read_machines({record.said.machine for record in records})
        self._read_places(
            [row.pk for row in self._sensors.values()], [row.pk for row in self._machines.values()]
        )

    def sensor(self, serial: str) -> Sensor | None:
        """Return the sensor of that serial, whoever looks after it."""
        return self._sensors.get(serial.upper())

    def machine(self, serial: str) -> Machine | None:
        """Return the machine of that serial, whoever looks after it."""
        return self._machines.get(serial.upper())

    def customer(self, name: str) -> Customer | None:
        """Return the dealer's customer of that name; the database says which cases are one."""
        if name not in self._customers:
            same = Customer.objects.filter(
                Exact(Upper("name"), Upper(Value(name))), dealer=self.dealer
            ).first()
            if same is None:
                return None
            self._customers[name] = same
        return self._customers[name]

    def installations_of(self, sensor: Sensor) -> list[Installation]:
        """Return every installation of a sensor."""
        return self._by_sensor.get(sensor.pk, [])

    def installations_at(self, machine: Machine, position: str) -> list[Installation]:
        """Return every installation at a position of a machine."""
        return self._by_place.get((machine.pk, position), [])

    def learn(self, *rows: Customer | Machine | Sensor) -> None:
        """Keep rows that were created and committed."""
        for row in rows:
            if isinstance(row, Customer):
                self._customers[row.name] = row
            elif isinstance(row, Machine):
                self._machines[row.serial.upper()] = row
            else:
                self._sensors[row.serial.upper()] = row

    def refresh(self, sensors: Iterable[Sensor], machines: Iterable[Machine]) -> None:
        """Read the installations of sensors and machines again."""
        sensor_ids = {row.pk for row in sensors}
        machine_ids = {row.pk for row in machines}
        for pk in sensor_ids:
            self._by_sensor.pop(pk, None)
        for place in [place for place in self._by_place if place[0] in machine_ids]:
            del self._by_place[place]
        self._read_places(sensor_ids, machine_ids)

    def _read_sensors(self, serials: set[str]) -> None:
        rows = Sensor.objects.select_related("model", "dealer").annotate(key=Upper("serial"))
        for some in in_chunks(sorted({serial.upper() for serial in serials})):
            self._sensors |= {row.key: row for row in rows.filter(key__in=some)}

    def _read_machines(self, serials: set[str]) -> None:
        rows = Machine.objects.select_related("model", "customer").annotate(key=Upper("serial"))
        for some in in_chunks(sorted({serial.upper() for serial in serials})):
            self._machines |= {row.key: row for row in rows.filter(key__in=some)}

    def _read_places(self, sensor_ids: Iterable[int], machine_ids: Iterable[int]) -> None:
        rows = Installation.objects.select_related("sensor", "machine")
        found: dict[int, Installation] = {}
        for some in in_chunks(sensor_ids):
            found |= {row.pk: row for row in rows.filter(sensor__in=some)}
        for some in in_chunks(machine_ids):
            found |= {row.pk: row for row in rows.filter(machine__in=some)}
        by_sensor, by_place = defaultdict(list), defaultdict(list)
        for row in found.values():
            by_sensor[row.sensor_id].append(row)
            by_place[row.machine_id, row.position].append(row)
        # A sensor met only by way of a machine may sit elsewhere too: its list would be short.
        self._by_sensor |= {pk: by_sensor[pk] for pk in sensor_ids}
        wanted = set(machine_ids)
        self._by_place |= {place: at for place, at in by_place.items() if place[0] in wanted}
