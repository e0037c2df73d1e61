"""Which machine stands where, which cells it has, and on which days it was visited."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random

from calibration.demo.scenario import (
    DEALERS,
    MACHINE_TYPES,
    SENSOR_TYPES,
    VISITS,
    DealerPlan,
    MachineType,
    SensorType,
    machines_of,
)
from calibration.demo.stories import BAD_LOT, Plot, stories_of, told_of
from fleet import seasons

REPLACEMENT = told_of(Plot.REPLACED)[0]
OVERDUE = told_of(Plot.OVERDUE)[0]


@dataclass(frozen=True)
class PlannedMachine:
    """A machine, its first owner, and the number of the visit at which it was first calibrated."""

    serial: str
    kind: MachineType
    dealer: DealerPlan
    customer: int
    number: int
    first_visit: int

    @property
    def owner(self) -> str:
        """The name of its first owner."""
        return self.dealer.customers[self.customer - 1]


@dataclass(frozen=True)
class PlannedCell:
    """A load cell at its place, with the visits at which it was there to be calibrated."""

    serial: str
    kind: SensorType
    machine: PlannedMachine
    position: str
    place: int
    lot: str
    first_visit: int
    last_visit: int


def machines() -> Iterator[PlannedMachine]:
    """Yield every machine of the fleet, dealer by dealer."""
    for digit, dealer in enumerate(DEALERS, start=1):
        for customer in range(1, len(dealer.customers) + 1):
            for number in range(1, machines_of(customer) + 1):
                kind = MACHINE_TYPES[dealer.machines[(customer + number) % len(dealer.machines)]]
                serial = f"{kind.prefix}-{digit}{customer:02d}{number}"
                yield PlannedMachine(
                    serial, kind, dealer, customer, number, _first_visit(serial, kind)
                )


def _first_visit(serial: str, kind: MachineType) -> int:
    """Return 3 for the machine in seven that is two years younger, 1 for the others."""
    place = serial.rpartition("-")[2]
    cells = (f"{kind.cells}-{place}{cell}" for cell in range(1, len(kind.positions) + 1))
    if any(stories_of(cell) for cell in cells):
        return 1
    return 3 if int(place) % 7 == 0 else 1


def cells(machine: PlannedMachine) -> Iterator[PlannedCell]:
    """Yield the cells of a machine; a replaced one is followed by its successor."""
    place = machine.serial.rpartition("-")[2]
    for number in range(1, len(machine.kind.positions) + 1):
        serial = f"{machine.kind.cells}-{place}{number}"
        replaced = serial == REPLACEMENT.serials[1]
        last = REPLACEMENT.visit - 1 if replaced else VISITS
        if serial in OVERDUE.serials:
            last = OVERDUE.visit - 1
        yield _cell(serial, machine, number, (machine.first_visit, last))
        if replaced:
            yield _cell(REPLACEMENT.serials[0], machine, number, (REPLACEMENT.visit, VISITS))


def cell(serial: str) -> PlannedCell:
    """Return one cell by its serial."""
    return next(one for machine in machines() for one in cells(machine) if one.serial == serial)


def _cell(
    serial: str, machine: PlannedMachine, number: int, visits: tuple[int, int]
) -> PlannedCell:
    bad = any(story.title.endswith(BAD_LOT) for story in stories_of(serial))
    kind = SENSOR_TYPES[machine.kind.cells]
    lot = BAD_LOT if bad else f"{kind.prefix[0]}{20 + machine.customer % 4}-{machine.number:02d}"
    position = machine.kind.positions[number - 1]
    return PlannedCell(serial, kind, machine, position, number, lot, *visits)


def visit_days(dealer: DealerPlan, customer: int, today: date) -> tuple[date, ...]:
    """Return the days of a customer's five visits, oldest first; all lie before today."""
    year = seasons.season_of(today, dealer.season_start) + 1
    while _visit_day(dealer, customer, year) >= today:
        year -= 1
    return tuple(_visit_day(dealer, customer, year - ago) for ago in reversed(range(VISITS)))


def _visit_day(dealer: DealerPlan, customer: int, year: int) -> date:
    """Return the working day of a customer's turn, two to seven weeks before a season.

    A dealer has one reference, so no two customers share a day: turns are four days apart or more,
    the jitter takes two of them at most, and a weekend moves only its neighbours together.
    """
    spread = 38 * (customer - 1) // (len(dealer.customers) - 1)
    jitter = Random(f"{dealer.code}/{customer}/{year}").randint(-1, 1)  # noqa: S311 - a simulation
    day = seasons.starts_on(year, dealer.season_start) - timedelta(days=52 - spread + jitter)
    return day + timedelta(days={5: -1, 6: 1}.get(day.weekday(), 0))
