"""What the cells of the invented fleet read, and what was written down: calibrations and points.

A cell's true line walks a little from season to season; 2 % of the calibrations (after the first)
find a cell that has really drifted, by 1 to 3 tolerances, for good. A reading scatters as the
model says. In two of a thousand the pen slipped. The 12 cells of a customer are calibrated on one
day with one reference, whose true error all of them share; one visit in twenty makes do with the
machine's own weight.
"""

import dataclasses
from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from tests.bench.scan_columns import Array, Table
from tests.bench.scan_register import (
    CELLS,
    MACHINES,
    MODELS,
    NEWTONS,
    REFERENCES,
    SEASONS,
    TECHNICIANS,
    UNCERTAINTIES,
    UNITS,
    VISIT_DAYS,
    Ints,
    Register,
    register,
    serials,
    tables,
)
from tests.bench.scan_slips import written_down

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SLOPE_TOLERANCE, ZERO_TOLERANCE = 0.03, 0.02  # the default policy: relative, of rated load
WALK_SLOPE, WALK_ZERO = 0.004, 0.003  # a year: relative, of rated load
REPEATABILITY, EXTRA_SLOPE = 0.0015, 0.001  # of one reading, of one set-up
DRIFTED, IN_SLOPE, DRIFT = 0.02, 0.6, (1.0, 3.0)
SLIPPED, OWN_WEIGHT, THREE_POINTS = 0.002, 0.05, 0.1
LOT = 300
BLOCK = 50_000


@dataclasses.dataclass(frozen=True)
class Planted:
    """What was planted in (seasons, N): which calibrations are the first after a real drift."""

    in_slope: Bools
    in_zero: Bools
    size: Floats  # in tolerances
    slip: Ints  # 0: none, else one of `scan_slips`


class Fleet:
    """The whole fleet; the same size, day and seed always give the same rows."""

    def __init__(self, size: int, *, today: date, seed: int = 20260801) -> None:
        self.seed = seed
        rng = self._rng(0)
        self.register = register(rng, size, today - timedelta(days=120))
        self.planted = _plant(self.register, rng)
        self.slope, self.zero = _truth(self.register, self.planted, rng)
        customers, dealers = len(self.register.customer_dealer), len(self.register.changed)
        self.visit_day = rng.integers(0, VISIT_DAYS, (SEASONS, customers))
        self.own_weight = rng.random((SEASONS, customers)) < OWN_WEIGHT
        self.three_points = rng.random(customers) < THREE_POINTS
        self.span = rng.uniform(0.4, 0.8, customers)  # of rated load
        self.error = rng.normal(0.0, 0.01, (dealers, REFERENCES)) * UNCERTAINTIES
        self.own_error = rng.normal(0.0, 0.005, customers)
        self.serial = serials("S-%08d", size)
        self.machine_serial = serials("M-%07d", self.register.machine_customer.shape[1])

    @property
    def size(self) -> int:
        """Return N."""
        return self.register.size

    def _rng(self, stream: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, stream])

    def register_tables(self) -> Iterator[Table]:
        """Yield the rows of dealers, models, customers, machines, cells and installations."""
        rng, model = self._rng(1), self.register.sensor_model
        lots = serials("L%05d", max(1, self.size // LOT))
        half = MODELS.rated[model] / 2.0
        decimals = MODELS.decimals[model]
        bare = self.zero[0] - rng.normal(0.0, 0.015, self.size) * _full(model)
        tags = {
            "tag_zero_reading": _rounded(bare, decimals),
            "tag_span_reading": _rounded(bare + self.slope[0] * half, decimals),
            "tag_span_load": half,
        }
        yield from tables(self.register, tags, lots[rng.integers(0, len(lots), self.size)])

    def season_tables(self, season: int) -> Iterator[Table]:
        """Yield calibrations and points of a season, cells in random order."""
        rng = self._rng(10 + season)
        order = rng.permutation(self.size)
        first = np.datetime64(self.register.opening_of(season), "D")
        for start in range(0, self.size, BLOCK):
            sensors = order[start : start + BLOCK]
            customer = self.register.customer(season, sensors)
            days = first + self.visit_day[season, customer]
            slips = self.planted.slip[season, sensors]
            yield from self._tables(rng, season, sensors, days, slips, season + 1)

    def changed_customers(self, share: float = 0.01) -> Ints:
        """Return the first customers of as few dealers as make up that share, and at least one."""
        return np.arange(max(1, round(share * len(self.register.customer_dealer))))

    def change_tables(self, number: int) -> tuple[Ints, list[Table]]:
        """Return the cells of a day on which the changed customers were visited once more.

        `number` counts such days from 1; returned are the cells' keys and their new rows.
        """
        last, rng = SEASONS - 1, self._rng(100 + number)
        customer = self.register.customer(last, np.arange(self.size))
        sensors = np.flatnonzero(np.isin(customer, self.changed_customers()))
        sensors = rng.permutation(sensors)
        day = np.datetime64(self.register.opening, "D") + VISIT_DAYS + number
        days = np.full(len(sensors), day)
        slips = np.zeros(len(sensors), dtype=np.int64)
        made = self._tables(rng, last, sensors, days, slips, SEASONS + number)
        return np.sort(sensors) + 1, list(made)

    def _tables(
        self, rng: np.random.Generator, season: int, sensors: Ints, days: Array, slips: Ints,
        number: int,
    ) -> Iterator[Table]:  # fmt: skip
        fleet = self.register
        machine = fleet.sensor_machine[season, sensors]
        customer = fleet.machine_customer[season, machine]
        dealer = fleet.customer_dealer[customer]
        half = REFERENCES // 2
        slot = np.where(
            fleet.changed[dealer],
            customer % half + half * (season >= SEASONS // 2),
            customer % REFERENCES,
        )
        own = self.own_weight[season, customer]
        error = np.where(own, self.own_error[customer], self.error[dealer, slot])
        ids = _uuids(rng, len(sensors))
        place = np.where(fleet.position[season, sensors] == b"row 9", CELLS * MACHINES,
                         sensors % (CELLS * MACHINES))  # fmt: skip
        begin = np.timedelta64(13 * 60, "m") + place * np.timedelta64(9, "m")
        performed = days.astype("M8[us]") + begin
        unpressed = rng.random(len(sensors)) < 0.7
        reason = np.full(len(sensors), b"seasonal", dtype="S13")
        if number == 1:
            reason[:] = b"commissioning"
        came = fleet.installation[season] != fleet.installation[max(season - 1, 0)]
        reason[came[sensors] & (number == season + 1)] = b"replacement"
        yield Table(
            "calibration_calibration",
            {"id": ids, "sensor_id": sensors + 1, "dealer_id": dealer + 1,
             "sensor_serial": self.serial[sensors], "machine_serial": self.machine_serial[machine],
             "position": fleet.position[season, sensors], "performed_at": performed,
             "technician": TECHNICIANS[slot],
             "recorded_at": performed + np.timedelta64(6, "h"),
             "chain_number": np.full(len(sensors), number, dtype=np.int32),
             "content_digest": _digests(rng, len(sensors)), "digest": _digests(rng, len(sensors)),
             "installation_id": fleet.installation[season, sensors] + 1, "reason": reason,
             "reference_id": np.where(own, -1, dealer * REFERENCES + slot + 1),
             "reference_name": np.where(own, b"", np.char.mod(b"Scale %d", slot + 1)),
             "load_unit": UNITS[dealer // 2 % 3],
             "reading_unit": MODELS.reading_unit[fleet.sensor_model[sensors]],
             "temperature_c": np.round(rng.uniform(4.0, 19.0, len(sensors)) * 2.0) / 2.0,
             "hydraulic_pressure": np.where(unpressed, 0.0, np.nan),
             "pressure_unit": np.where(unpressed, b"bar", b""),
             "stage": np.full(len(sensors), b"as_found"),
             **{name: np.full(len(sensors), b"") for name in ("note", "supersede_reason")}},
        )  # fmt: skip
        load, reading = self._points(rng, season, sensors, customer, error)
        decimals = MODELS.decimals[fleet.sensor_model[sensors]]
        load, reading = written_down(
            rng, slips, load, reading, decimals, UNITS[dealer // 2 % 3] == b"lbf"
        )
        yield _point_table(ids, load, reading, self.three_points[customer])

    def _points(
        self, rng: np.random.Generator, season: int, sensors: Ints, customer: Ints, error: Floats
    ) -> tuple[Floats, Floats]:
        """Return (M, 3) loads as typed and readings; the middle one counts for a tenth only."""
        model = self.register.sensor_model[sensors]
        per_typed = NEWTONS[self.register.customer_dealer[customer] // 2 % 3]
        per_typed = per_typed / NEWTONS[MODELS.unit[model]]
        span = np.round(self.span[customer] * MODELS.rated[model] / per_typed, 1)
        load = np.stack([np.zeros_like(span), np.round(span / 2.0, 1), span], axis=1)
        seen = self.slope[season, sensors] * rng.normal(1.0, EXTRA_SLOPE, len(sensors))
        carried = load * (per_typed * (1.0 + error))[:, None]
        reading = self.zero[season, sensors][:, None] + seen[:, None] * carried
        reading += rng.normal(0.0, REPEATABILITY, load.shape) * _full(model)[:, None]
        return load, _rounded(reading, MODELS.decimals[model][:, None])


def _full(model: Ints) -> Floats:
    """Return the rise of a new cell from no load to its rated load."""
    return MODELS.slope[model] * MODELS.rated[model]


def _rounded(values: Floats, decimals: Ints) -> Floats:
    scale = 10.0**decimals
    return np.round(values * scale) / scale


def _plant(fleet: Register, rng: np.random.Generator) -> Planted:
    shape = SEASONS, fleet.size
    can = np.ones(shape, dtype=bool)
    can[0] = False
    can[fleet.moved_season, fleet.moved] = False  # its numbers start anew
    drifted = can & (rng.random(shape) < DRIFTED)
    in_slope = rng.random(shape) < IN_SLOPE
    size = rng.uniform(*DRIFT, shape) * rng.choice([-1.0, 1.0], shape)
    slipped = can & ~drifted & (rng.random(shape) < SLIPPED)
    slip = np.where(slipped, rng.integers(1, 5, shape), 0)
    return Planted(drifted & in_slope, drifted & ~in_slope, size, slip)


def _truth(fleet: Register, planted: Planted, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return the true slopes [reading per load unit of the model] and zeros [reading]."""
    shape, model = (SEASONS, fleet.size), fleet.sensor_model
    slope = rng.normal(0.0, WALK_SLOPE, shape)
    zero = rng.normal(0.0, WALK_ZERO, shape)
    slope[0], zero[0] = rng.normal(0.0, 0.02, fleet.size), rng.normal(0.0, 0.02, fleet.size)
    slope += planted.in_slope * planted.size * SLOPE_TOLERANCE
    zero += planted.in_zero * planted.size * ZERO_TOLERANCE
    bolted = rng.normal(0.0, 0.015, len(fleet.moved))
    zero[fleet.moved_season, fleet.moved] += bolted
    zeros = MODELS.offset[model] + np.cumsum(zero, axis=0) * _full(model)
    return np.cumprod(1.0 + slope, axis=0) * MODELS.slope[model], zeros


def _point_table(ids: Array, load: Floats, reading: Floats, three: Bools) -> Table:
    there = np.ones(load.shape, dtype=bool)
    there[:, 1] = three
    number = np.cumsum(there, axis=1)
    return Table(
        "calibration_calibrationpoint",
        {"calibration_id": np.repeat(ids, there.sum(axis=1)),
         "number": number[there].astype(np.int16), "load": load[there],
         "reading": reading[there], "direction": np.full(there.sum(), b"up")},
    )  # fmt: skip


def _uuids(rng: np.random.Generator, count: int) -> Array:
    """Return random UUIDs (version 4, RFC 9562)."""
    octets = np.frombuffer(rng.bytes(16 * count), dtype=np.uint8).reshape(-1, 16).copy()
    octets[:, 6] = octets[:, 6] & 0x0F | 0x40
    octets[:, 8] = octets[:, 8] & 0x3F | 0x80
    return octets.view("V16").reshape(-1)


def _digests(rng: np.random.Generator, count: int) -> Array:
    """Return 64 hex digits each: of the right form, but no digest of anything.

    `verify` would say so; the scan never looks at them.
    """
    return np.frombuffer(rng.bytes(32 * count).hex().encode(), dtype="S64")
