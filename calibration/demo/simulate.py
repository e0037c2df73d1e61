"""The seeded numbers: what each cell read at each visit, and what the technician wrote down.

A cell has a true line of its own. It ages a little; a reading scatters by 0.15 % of rated load.
The stories change the truth (an overloaded cell), the procedure (a zero under pressure) or the
typing (`calibration.demo.mistakes`). The same day always gives the same fleet.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

from calibration.demo import layout
from calibration.demo.layout import PlannedCell, PlannedMachine
from calibration.demo.scenario import DEALERS, DealerPlan
from calibration.demo.stories import RESOLD_MACHINE, RESOLD_TO, Plot, Story, stories_of, told_of
from fleet import units

REPEATABILITY_PCT = 0.15
MOUNTING_PCT = 1.5
DAYS_PER_YEAR = 365.25

Point = tuple[float, float, str]  # load, reading, direction


@dataclass(frozen=True)
class Written:
    """One calibration as the technician wrote it down."""

    serial: str
    visit: int
    performed_at: datetime
    dealer: DealerPlan
    technician: str
    points: tuple[Point, ...]
    reason: str
    temperature_c: float
    pressure: float = 0.0
    note: str = ""
    corrected_from: tuple[Point, ...] = ()


@dataclass(frozen=True)
class Circumstances:
    """What is not as it should be when a cell is read; all in %, all zero on a good day."""

    slope_pct: float = 0.0
    zero_pct: float = 0.0
    load_pct: float = 0.0
    preload_pct: float = 0.0
    sign: int = 1


_WHAT_CHANGES = {
    Plot.AGEING: "slope_pct",
    Plot.SENSITIVITY_LOSS: "slope_pct",
    Plot.ZERO_SHIFT: "zero_pct",
    Plot.REFERENCE_OFF: "load_pct",
    Plot.SPAN_NOT_CARRIED: "load_pct",
    Plot.PRELOADED_ZERO: "preload_pct",
}


@dataclass(frozen=True)
class Tag:
    """The numbers that a cell's maker put on it, named as the register names them."""

    zero_reading: float
    span_reading: float
    span_load: float
    load_unit: str


@dataclass(frozen=True)
class TrueLine:
    """A cell's own line once mounted, in readings and the model's load unit, and its ageing.

    The tag shows it as it left its maker; bolting it in moves the zero.
    """

    slope: float
    zero: float
    slope_pct_per_year: float
    zero_pct_per_year: float
    tag: Tag


def true_line(cell: PlannedCell) -> TrueLine:
    """Return a cell's own line, and the tag that its maker put on it."""
    kind, chance = cell.kind, Random(cell.serial)  # noqa: S311 - a simulation, no secret
    full = kind.rated_load * kind.true_slope
    slope = kind.true_slope * (1 + chance.gauss(0, 0.02))
    bare = kind.true_offset + chance.gauss(0, 0.02) * full
    half = kind.rated_load / 2
    spanned = bare + slope * half + chance.gauss(0, 0.0005) * full
    tag = Tag(round(bare, kind.decimals), round(spanned, kind.decimals), half, kind.load_unit)
    mounted = bare + chance.gauss(0, MOUNTING_PCT / 100) * full
    return TrueLine(slope, mounted, chance.gauss(-0.12, 0.08), chance.gauss(0, 0.1), tag)


def circumstances(serial: str, visit: int, days: tuple[date, ...]) -> Circumstances:
    """Return what the stories do to a cell at a visit."""
    now = Circumstances()
    for story in stories_of(serial):
        if visit >= story.visit:
            years = (days[visit - 1] - days[story.visit - 1]).days / DAYS_PER_YEAR
            now = _changed(now, story, years)
    return now


def _changed(now: Circumstances, story: Story, years: float) -> Circumstances:
    if story.plot is Plot.WIRING_REVERSED:
        return replace(now, sign=-now.sign)
    name = _WHAT_CHANGES.get(story.plot)
    if name is None:
        return now
    times = years if story.plot is Plot.AGEING else 1.0
    return replace(now, **{name: getattr(now, name) + story.amount * times})


def readings(
    cell: PlannedCell, dealer: DealerPlan, visit: int, days: tuple[date, ...]
) -> tuple[Point, ...]:
    """Return the points of one calibration: load as typed, reading, direction."""
    kind, line = cell.kind, true_line(cell)
    now = circumstances(cell.serial, visit, days)
    years = (days[visit - 1] - days[0]).days / DAYS_PER_YEAR
    full = kind.rated_load * kind.true_slope
    slope = line.slope * (1 + (line.slope_pct_per_year * years + now.slope_pct) / 100)
    zero = line.zero + full * (line.zero_pct_per_year * years + now.zero_pct) / 100
    noise = Random(f"{cell.serial}/{days[visit - 1]}")  # noqa: S311 - a simulation, no secret
    span = cell.machine.kind.span_kgf * units.LOAD["kgf"] / units.LOAD[dealer.load_unit]
    points: list[Point] = []
    for number, share in enumerate(dealer.loads):
        typed = round(share * span, 1)
        carried = typed * units.LOAD[dealer.load_unit] / units.LOAD[kind.load_unit]
        carried *= 1 + now.load_pct / 100
        pressed = full * now.preload_pct / 100 if share == 0 else 0.0
        reading = zero + slope * carried + pressed + noise.gauss(0, REPEATABILITY_PCT / 100) * full
        back = number > 0 and share < dealer.loads[number - 1]
        points.append((typed, now.sign * round(reading, kind.decimals), "down" if back else "up"))
    return tuple(points)


def calibrations(today: date) -> Iterator[Written]:
    """Yield every calibration of the fleet as it was really measured, machine by machine."""
    for machine in layout.machines():
        calendar = calendar_of(machine, today)
        days = tuple(day for _, _, day in calendar)
        for cell in layout.cells(machine):
            for visit in range(cell.first_visit, cell.last_visit + 1):
                dealer, customer, day = calendar[visit - 1]
                yield Written(
                    serial=cell.serial,
                    visit=visit,
                    performed_at=moment(dealer, day, machine.number, cell.place),
                    dealer=dealer,
                    technician=technician_for(dealer, customer),
                    points=readings(cell, dealer, visit, days),
                    reason=_reason(cell, visit),
                    temperature_c=_temperature(dealer, customer, day),
                    pressure=_left_under_pressure(cell.serial, visit, dealer),
                )


def calendar_of(machine: PlannedMachine, today: date) -> list[tuple[DealerPlan, int, date]]:
    """Return who visited a machine at which customer on which day; a resold one changes hands."""
    seller, owner = machine.dealer, machine.customer
    if machine.serial != RESOLD_MACHINE:
        return [(seller, owner, day) for day in layout.visit_days(seller, owner, today)]
    buyer = next(dealer for dealer in DEALERS if dealer.code == RESOLD_TO[0])
    sale = told_of(Plot.RESOLD)[0].visit
    after = layout.visit_days(buyer, RESOLD_TO[1], today)[sale - 1 :]
    before = layout.visit_days(seller, owner, after[0] - timedelta(days=60))[1 - sale :]
    return [(seller, owner, day) for day in before] + [(buyer, RESOLD_TO[1], day) for day in after]


def moment(dealer: DealerPlan, day: date, machine: int, place: int) -> datetime:
    """Return when a cell had its turn that morning, by the dealer's clock."""
    minutes = 75 * (machine - 1) + 9 * place
    start = datetime.combine(day, time(8), ZoneInfo(dealer.timezone))
    return start + timedelta(minutes=minutes)


def technician_for(dealer: DealerPlan, customer: int) -> str:
    """Return who of a dealer's technicians looks after a customer."""
    return dealer.technicians[customer % len(dealer.technicians)]


def _reason(cell: PlannedCell, visit: int) -> str:
    if visit > cell.first_visit:
        return "seasonal"
    if cell.serial == layout.REPLACEMENT.serials[0]:
        return "replacement"
    return "commissioning" if cell.machine.number % 2 or visit > 1 else "seasonal"


def _temperature(dealer: DealerPlan, customer: int, day: date) -> float:
    chance = Random(f"{dealer.code}/{customer}/{day}/weather")  # noqa: S311 - a simulation
    return round(chance.uniform(4, 19) * 2) / 2


def _left_under_pressure(serial: str, visit: int, dealer: DealerPlan) -> float:
    """Return the pressure in the circuit: zero, but for the story in which it was not bled."""
    forgot = any(
        story.plot is Plot.PRELOADED_ZERO and visit == story.visit for story in stories_of(serial)
    )
    return round(3800 / units.PRESSURE[dealer.pressure_unit]) if forgot else 0.0
