"""The functional tests of the invented fleet: what was commanded, and what the cab displayed."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from random import Random

from calibration.demo import layout, simulate
from calibration.demo.layout import PlannedMachine
from calibration.demo.scenario import VISITS, DealerPlan
from calibration.demo.stories import FAILING_MACHINE, Plot, told_of
from fleet import units

SHARES = (0.4, 0.6, 0.8)
"""The setpoints, as shares of the unit's weight on the wheel."""


@dataclass(frozen=True)
class Step:
    """One setpoint, in the dealer's units."""

    commanded: float
    displayed_mean: float
    displayed_min: float
    displayed_max: float
    pressure: float
    observed: str


@dataclass(frozen=True)
class Trial:
    """One functional test of a machine's first cell."""

    serial: str
    performed_at: datetime
    dealer: DealerPlan
    technician: str
    steps: tuple[Step, ...]


def functional_tests(today: date) -> Iterator[Trial]:
    """Yield the tests that followed the last two visits at every second customer."""
    for machine in layout.machines():
        first = next(layout.cells(machine))
        if machine.customer % 2 or first.last_visit < VISITS:
            continue
        calendar = simulate.calendar_of(machine, today)
        for visit in (VISITS - 1, VISITS):
            dealer, customer, day = calendar[visit - 1]
            morning = simulate.moment(dealer, day, machine.number, first.place)
            yield Trial(
                first.serial,
                morning + timedelta(hours=6),
                dealer,
                simulate.technician_for(dealer, customer),
                tuple(_steps(machine, dealer, visit, day)),
            )


def _steps(machine: PlannedMachine, dealer: DealerPlan, visit: int, day: date) -> Iterator[Step]:
    """Yield the setpoints; on the failing machine force and pressure stop rising; it bounces."""
    chance = Random(f"{machine.serial}/{day}/test")  # noqa: S311 - a simulation, no secret
    story = told_of(Plot.FUNCTIONAL)[0]
    failing = machine.serial == FAILING_MACHINE and visit == story.visit
    weight = machine.kind.span_kgf * units.LOAD["kgf"] / units.LOAD[dealer.load_unit]
    for number, share in enumerate(SHARES):
        commanded = round(weight * share)
        lost = story.amount / 100 * number / (len(SHARES) - 1) if failing else 0.0
        mean = commanded * (1 - lost + chance.gauss(0, 0.008))
        ripple = commanded * (0.22 if failing else chance.uniform(0.03, 0.06))
        bar = 45 + (3.0 if failing else 90) * share + chance.gauss(0, 0.5)
        yield Step(
            commanded,
            round(mean, 1),
            round(mean - ripple, 1),
            round(mean + ripple, 1),
            round(bar * units.PRESSURE["bar"] / units.PRESSURE[dealer.pressure_unit], 1),
            "bouncing" if failing and number else "steady",
        )
