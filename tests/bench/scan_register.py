"""Who and what the invented fleet of the scan's bench consists of, season by season.

All names are made up. Keys are places in the arrays plus one. Four cells sit on a machine, a
customer has three machines; 2 % of the cells moved once to another machine, 1 % of the machines
were resold once to a customer of another dealer. A cell's loads are always typed in one unit.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from tests.bench.scan_columns import Array, Table

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

SEASONS = 6
CELLS, MACHINES = 4, 3  # cells of a machine, machines of a customer
PER_DEALER = 5000
MOVED, RESOLD = 0.02, 0.01
REFERENCES = 8  # of each dealer
UNCERTAINTIES = np.array([0.2, 0.3, 0.5, 0.3, 0.2, 0.5, 0.3, 0.2])  # of those, k = 1 [%]
VISIT_DAYS = 55  # within which a dealer visits everybody
UNITS = np.array([b"kgf", b"daN", b"lbf"])
NEWTONS = np.array([9.80665, 10.0, 4.4482216152605])  # of those; exact
ZONES = np.array([b"Europe/Warsaw", b"America/Chicago"])
TECHNICIANS = np.array(
    ["Ada Korbel", "Bo Tessin", "Cleo Marant", "Dov Hollister", "Eira Stroud", "Finn Valder",
     "Gesa Polzin", "Hugo Brandal"],
).astype("S")  # fmt: skip


@dataclass(frozen=True)
class Cells:
    """The four models of cell: what the register says of each; loads in the model's unit."""

    name: Array
    rated: Floats
    unit: Ints
    reading_unit: Array
    least: Floats
    most: Floats
    slope: Floats
    offset: Floats
    decimals: Ints


MODELS = Cells(
    name=np.array([b"Arvik C250", b"Arvik C400", b"Dorsel DR3", b"Quenby Beam 550"]),
    rated=np.array([250.0, 400.0, 300.0, 550.0]),
    unit=np.array([0, 1, 0, 2]),
    reading_unit=np.array([b"count", b"count", b"count", b"mV/V"]),
    least=np.array([0.0, 0.0, -8388608.0, -3.5]),
    most=np.array([65535.0, 65535.0, 8388607.0, 3.5]),
    slope=np.array([120.0, 110.0, 9000.0, 2.0 / 550.0]),
    offset=np.array([12000.0, 9000.0, 84000.0, 0.05]),
    decimals=np.array([0, 0, 0, 4]),
)


@dataclass(frozen=True)
class Register:
    """N cells, C customers, D dealers; places in these arrays, not keys.

    Attributes
    ----------
    opening : date
        First day of visits of the newest season; those before opened whole years earlier.
    customer_dealer : (C,) array
    machine_customer, sensor_machine, installation : (seasons, ...) arrays
        Whose a machine, where a cell, under which installation, in each season.
    sensor_model : (N,) array
    position : (seasons, N) array of text
    changed : (D,) array of bool
        Dealers that began to use other references in the middle.
    """

    opening: date
    customer_dealer: Ints
    machine_customer: Ints
    sensor_machine: Ints
    installation: Ints
    position: Array
    sensor_model: Ints
    changed: NDArray[np.bool_]
    moved: Ints
    moved_season: Ints

    @property
    def size(self) -> int:
        """Return N."""
        return len(self.sensor_model)

    def customer(self, season: int, sensors: Ints) -> Ints:
        """Return whose these cells were."""
        return self.machine_customer[season, self.sensor_machine[season, sensors]]

    def opening_of(self, season: int) -> date:
        """Return the first day of visits of a season."""
        year = self.opening.year - (SEASONS - 1 - season)
        return self.opening.replace(year=year, day=min(self.opening.day, 28))


def register(rng: np.random.Generator, size: int, opening: date) -> Register:
    """Return a fleet of `size` cells whose newest season opened on that day."""
    machines = -(-size // CELLS)
    customers = -(-machines // MACHINES)
    # An even number: the dealers buy from one another in pairs.
    dealers = max(4, 2 * round(size / PER_DEALER / 2))
    owner = np.arange(customers) * dealers // customers
    machine_customer = np.tile(np.arange(machines) // MACHINES, (SEASONS, 1))
    resold = rng.choice(machines, round(RESOLD * machines), replace=False)
    season = rng.integers(1, SEASONS, len(resold))
    partner = owner[machine_customer[0, resold]] ^ 1
    first = np.searchsorted(owner, np.arange(dealers + 1))
    buyer = rng.integers(first[partner], first[partner + 1])
    later = np.arange(SEASONS)[:, None] >= season
    machine_customer[:, resold] = np.where(later, buyer, machine_customer[:, resold])
    home = np.arange(size) // CELLS
    moved, moved_season = _moved(rng, size, machines)
    sensor_machine, installation = np.tile(home, (SEASONS, 1)), np.tile(np.arange(size), (6, 1))
    position = np.tile(np.char.mod("row %d", np.arange(size) % CELLS * 2 + 1).astype("S"), (6, 1))
    after = np.arange(SEASONS)[:, None] >= moved_season
    # Each to the machine that the next one leaves, and there to a place that is free for sure.
    sensor_machine[:, moved] = np.where(after, np.roll(home[moved], -1), home[moved])
    installation[:, moved] = np.where(after, size + np.arange(len(moved)), moved)
    position[:, moved] = np.where(after, b"row 9", position[:, moved])
    return Register(
        opening=opening,
        customer_dealer=owner,
        machine_customer=machine_customer,
        sensor_machine=sensor_machine,
        installation=installation,
        position=position,
        sensor_model=rng.integers(0, 4, machines)[home],
        changed=np.arange(dealers) % 3 == 0,
        moved=moved,
        moved_season=moved_season,
    )


def _moved(rng: np.random.Generator, size: int, machines: int) -> tuple[Ints, Ints]:
    """Return which cells moved, at most one of a machine, and in which season."""
    left = np.sort(rng.choice(machines, round(MOVED * size), replace=False))
    moved = np.minimum(left * CELLS + rng.integers(0, CELLS, len(left)), size - 1)
    return moved, rng.integers(1, SEASONS, len(left))


def serials(pattern: str, count: int) -> Array:
    """Return serials by their number."""
    return np.char.mod(pattern, np.arange(1, count + 1)).astype("S")


def tables(fleet: Register, tags: dict[str, Floats], lots: Array) -> Iterator[Table]:
    """Yield the rows of the register in an order in which every key refers to what is there."""
    yield from _dealers(fleet)
    yield from _models()
    customers = fleet.customer_dealer
    yield Table(
        "fleet_customer",
        {"id": np.arange(len(customers)) + 1, "name": serials("Farm %06d", len(customers)),
         **_same(len(customers), email=b"", phone=b""), "dealer_id": customers + 1},
    )  # fmt: skip
    count = fleet.machine_customer.shape[1]
    model = fleet.sensor_model[::CELLS]
    yield Table(
        "fleet_machine",
        {"id": np.arange(count) + 1, "serial": serials("M-%07d", count),
         **_same(count, name=b""), "customer_id": fleet.machine_customer[-1] + 1,
         "model_id": model + 1},
    )  # fmt: skip
    everybody = np.arange(fleet.size)
    dealer = customers[fleet.customer(SEASONS - 1, everybody)]
    yield Table(
        "fleet_sensor",
        {"id": everybody + 1, "serial": serials("S-%08d", fleet.size), "lot": lots, **tags,
         "tag_load_unit": UNITS[MODELS.unit][fleet.sensor_model],
         "dealer_id": dealer + 1, "model_id": fleet.sensor_model + 1},
    )  # fmt: skip
    yield _installations(fleet)


def _same(count: int, **values: bytes | float | bool) -> dict[str, Array]:
    return {name: np.full(count, value) for name, value in values.items()}


def _dealers(fleet: Register) -> Iterator[Table]:
    count = len(fleet.changed)
    number = np.arange(count)
    starts = [fleet.opening + timedelta(days=VISIT_DAYS + 10 + 5 * (i % 3)) for i in range(count)]
    days = [f"{start:%m}-{min(start.day, 28):02d}" for start in starts]
    yield Table(
        "fleet_dealer",
        {"id": number + 1, "code": serials("D%04d", count), "name": serials("Dealer %d", count),
         "timezone": ZONES[number % 2], "load_unit": UNITS[number // 2 % 3],
         "season_start": np.array(days).astype("S"),
         **_same(count, email=b"", pressure_unit=b"bar", country=b"", subdivision=b"",
                 language=b"en", tells_customers=False, travel_speed_kmh=50.0),
         **{name: np.full(count, value, dtype=np.int16) for name, value in (
             ("reminder_lead_days", 30), ("minutes_per_machine", 30), ("minutes_per_sensor", 20),
         )}},
    )  # fmt: skip
    place = np.arange(REFERENCES * count)
    yield Table(
        "calibration_referencestandard",
        {"id": place + 1, "dealer_id": place // REFERENCES + 1,
         "name": np.tile(serials("Scale %d", REFERENCES), count),
         **_same(len(place), kind=b"scale", certificate=b""),
         "serial": serials("R-%05d", len(place)),
         "relative_uncertainty_pct": np.tile(UNCERTAINTIES, count),
         "valid_until": np.full(len(place), "NaT", dtype="M8[D]")},
    )  # fmt: skip


def _models() -> Iterator[Table]:
    count = len(MODELS.name)
    yield Table(
        "fleet_machinemodel",
        {"id": np.arange(count) + 1, "name": serials("Lonmark Planter %d", count),
         **_same(count, kind=b"planter"), "rows": np.full(count, 9, dtype=np.int16)},
    )  # fmt: skip
    yield Table(
        "fleet_sensormodel",
        {"id": np.arange(count) + 1, "name": MODELS.name, "rated_load": MODELS.rated,
         "load_unit": UNITS[MODELS.unit], "reading_unit": MODELS.reading_unit,
         "reading_min": MODELS.least, "reading_max": MODELS.most, "nominal_slope": MODELS.slope,
         "nominal_offset": MODELS.offset, **_same(count, repeatability_pct=0.15)},
    )  # fmt: skip


def _installations(fleet: Register) -> Table:
    """First where each cell began, then where those that moved went; both end to end."""
    count = fleet.size + len(fleet.moved)
    begun = np.datetime64(fleet.opening_of(0), "D") - 30
    openings = np.array([fleet.opening_of(k) for k in range(SEASONS)], dtype="M8[D]")
    left = openings[fleet.moved_season] - 10
    removed = np.full(count, "NaT", dtype="M8[D]")
    removed[fleet.moved] = left
    sensor = np.concatenate((np.arange(fleet.size), fleet.moved))
    season = np.repeat([0, SEASONS - 1], [fleet.size, len(fleet.moved)])
    return Table(
        "fleet_installation",
        {"id": np.arange(count) + 1, "position": fleet.position[season, sensor],
         "installed_on": np.concatenate((np.full(fleet.size, begun), left)),
         "removed_on": removed, **_same(count, start_is_inferred=False),
         "machine_id": fleet.sensor_machine[season, sensor] + 1, "sensor_id": sensor + 1},
    )  # fmt: skip
