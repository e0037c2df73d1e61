"""The rows of the register that a file names, read in bulk and kept while it is loaded."""

from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import TypeVar
from uuid import UUID

from django.db.models import Value
from django.db.models.functions import Upper
from django.db.models.lookups import Exact

from calibration.importing.rows import FileRecord
from calibration.models import Calibration, ReferenceStandard
from fleet.enrolling import Newcomers
from fleet.models import Customer, Dealer, Installation, Machine, MachineModel, Sensor, SensorModel

CHUNK = 2000
Item = TypeVar("Item")


def in_chunks(items: Iterable[Item]) -> Iterator[list[Item]]:
    """Yield lists of at most `CHUNK` items."""
    listed = list(items)
    for start in range(0, len(listed), CHUNK):
        yield listed[start : start + CHUNK]


def used_up(items: list[Item]) -> Iterator[list[Item]]:
    """Yield lists of at most `CHUNK` items from the front; what was yielded is let go."""
    items.reverse()
    while items:
        some = items[: -CHUNK - 1 : -1]
        del items[-CHUNK:]
        yield some


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
        self._customers: dict[str, Customer] = {}
        self._read_customers()
        self._sensors: dict[str, Sensor] = {}
        self._machines: dict[str, Machine] = {}
        self._sensor_of: dict[int, Sensor] = {}
        self._machine_of: dict[int, Machine] = {}
        self._by_sensor: dict[int, list[Installation]] = {}
        self._by_place: dict[tuple[int, str], list[Installation]] = {}
        self._records: dict[UUID, Calibration] = {}
        self._read_sensors({record.said.sensor for record in records})
        self._read_machines({record.said.machine for record in records})
        self._read_places(list(self._sensor_of), list(self._machine_of))

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

    def expect_records(self, keys: Sequence[UUID]) -> None:
        """Read at once the stored records that a batch of the file corrects."""
        own = Calibration.objects.filter(sensor__dealer=self.dealer)
        self._records = own.in_bulk(list(keys)) if keys else {}

    def record(self, key: UUID) -> Calibration | None:
        """Return the stored record of one of the dealer's sensors."""
        return self._records.get(key) or (
            Calibration.objects.filter(pk=key, sensor__dealer=self.dealer).first()
        )

    def installations_of(self, sensor: Sensor) -> list[Installation]:
        """Return every installation of a sensor."""
        return self._by_sensor.get(sensor.id, [])

    def installations_at(self, machine: Machine, position: str) -> list[Installation]:
        """Return every installation at a position of a machine."""
        return self._by_place.get((machine.id, position), [])

    def learn(self, *rows: Customer | Machine | Sensor) -> None:
        """Keep rows that were created."""
        for row in rows:
            if isinstance(row, Customer):
                self._customers[row.name] = row
            elif isinstance(row, Machine):
                self._machines[row.serial.upper()] = self._machine_of[row.pk] = row
            else:
                self._sensors[row.serial.upper()] = self._sensor_of[row.pk] = row

    def settle(self, rows: Iterable[Installation]) -> None:
        """Keep installations that were created."""
        for row in rows:
            self._by_sensor.setdefault(row.sensor_id, []).append(row)
            self._by_place.setdefault((row.machine_id, row.position), []).append(row)

    def forget(self, rows: Newcomers) -> None:
        """Drop rows that were kept, and then not stored."""
        for customer in rows.customers:
            del self._customers[customer.name]
        for machine in rows.machines:
            del self._machines[machine.serial.upper()], self._machine_of[machine.id]
        for sensor in rows.sensors:
            del self._sensors[sensor.serial.upper()], self._sensor_of[sensor.id]
        for row in rows.installations:
            self._by_sensor[row.sensor_id].remove(row)
            self._by_place[row.machine_id, row.position].remove(row)

    def look_again(self, records: Sequence[FileRecord]) -> None:
        """Read again what records name: somebody else has entered some of it meanwhile."""
        self._read_customers()
        self._read_sensors({record.said.sensor for record in records})
        self._read_machines({record.said.machine for record in records})
        sensors = [self.sensor(record.said.sensor) for record in records]
        machines = [self.machine(record.said.machine) for record in records]
        self.refresh([row for row in sensors if row], [row for row in machines if row])

    def refresh(self, sensors: Iterable[Sensor], machines: Iterable[Machine]) -> None:
        """Read the installations of sensors and machines again."""
        sensor_ids = {row.pk for row in sensors}
        machine_ids = {row.pk for row in machines}
        for pk in sensor_ids:
            self._by_sensor.pop(pk, None)
        for place in [place for place in self._by_place if place[0] in machine_ids]:
            del self._by_place[place]
        self._read_places(sensor_ids, machine_ids)

    def _read_customers(self) -> None:
        rows = Customer.objects.filter(dealer=self.dealer)
        self._customers |= {row.name: row for row in rows}

    def _read_sensors(self, serials: set[str]) -> None:
        models = {row.pk: row for row in self.sensor_models.values()}
        rows = Sensor.objects.alias(key=Upper("serial"))
        for some in in_chunks(sorted({serial.upper() for serial in serials})):
            for row in rows.filter(key__in=some):
                row.model = models[row.model_id]
                if row.dealer_id == self.dealer.id:
                    row.dealer = self.dealer
                self.learn(row)

    def _read_machines(self, serials: set[str]) -> None:
        models = {row.pk: row for row in self.machine_models.values()}
        customers = {row.pk: row for row in self._customers.values()}
        rows = Machine.objects.alias(key=Upper("serial"))
        for some in in_chunks(sorted({serial.upper() for serial in serials})):
            for row in rows.filter(key__in=some):
                row.model = models[row.model_id]
                if row.customer_id in customers:
                    row.customer = customers[row.customer_id]
                self.learn(row)

    def _read_places(self, sensor_ids: Collection[int], machine_ids: Collection[int]) -> None:
        """Read installations; those of one sensor or machine share it instead of holding copies.

        A sensor met only by way of a machine may sit elsewhere too, so it gets no list: it would
        be short.
        """
        found: dict[int, Installation] = {}
        for some in in_chunks(sensor_ids):
            found |= Installation.objects.filter(sensor_id__among=some).in_bulk()
        for some in in_chunks(machine_ids):
            found |= Installation.objects.filter(machine_id__among=some).in_bulk()
        own, wanted = set(sensor_ids), set(machine_ids)
        self._by_sensor |= {pk: [] for pk in own}
        for row in found.values():
            if row.sensor_id in self._sensor_of:
                row.sensor = self._sensor_of[row.sensor_id]
            if row.machine_id in self._machine_of:
                row.machine = self._machine_of[row.machine_id]
            if row.sensor_id in own:
                self._by_sensor[row.sensor_id].append(row)
            if row.machine_id in wanted:
                self._by_place.setdefault((row.machine_id, row.position), []).append(row)
