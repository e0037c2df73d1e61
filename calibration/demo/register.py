"""The invented fleet into the register: models, dealers, people, customers, machines, sensors."""

import math
import random
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta

from calibration.demo import layout, simulate
from calibration.demo.layout import PlannedCell, PlannedMachine
from calibration.demo.scenario import (
    DEALERS,
    MACHINE_TYPES,
    POLICIES,
    SENSOR_TYPES,
    SIGN_INS,
    DealerPlan,
    SignIn,
)
from calibration.models import ReferenceStandard, TolerancePolicy
from fleet import registry
from fleet.models import (
    Customer,
    Dealer,
    Installation,
    Machine,
    MachineModel,
    Membership,
    Role,
    Sensor,
    SensorModel,
    User,
)
from fleet.scope import Scope


@dataclass
class Register:
    """The rows that the records refer to, by the keys of the plan."""

    machine_models: dict[str, MachineModel] = field(default_factory=dict)
    sensor_models: dict[str, SensorModel] = field(default_factory=dict)
    dealers: dict[str, Dealer] = field(default_factory=dict)
    references: dict[str, ReferenceStandard] = field(default_factory=dict)
    customers: dict[tuple[str, str], Customer] = field(default_factory=dict)
    machines: dict[str, Machine] = field(default_factory=dict)
    sensors: dict[str, Sensor] = field(default_factory=dict)
    installations: dict[str, Installation] = field(default_factory=dict)


def fill(*, scope: Scope, today: date) -> Register:
    """Enter everybody and everything, and return the rows."""
    rows = Register()
    _catalogue(rows)
    for dealer in DEALERS:
        _dealer(rows, dealer, today, scope)
    _policies(rows)
    _people(rows)
    for machine in layout.machines():
        _machine(rows, machine, today, scope)
    return rows


def _catalogue(rows: Register) -> None:
    for kind in MACHINE_TYPES.values():
        rows.machine_models[kind.prefix] = registry.clean_and_save(
            MachineModel(name=kind.name, kind=kind.kind, rows=kind.rows)
        )
    for cell in SENSOR_TYPES.values():
        rows.sensor_models[cell.prefix] = registry.clean_and_save(
            SensorModel(
                name=cell.name,
                rated_load=cell.rated_load,
                load_unit=cell.load_unit,
                reading_unit=cell.reading_unit,
                reading_min=cell.reading_min,
                reading_max=cell.reading_max,
                nominal_slope=cell.nominal_slope,
                nominal_offset=cell.nominal_offset,
                repeatability_pct=simulate.REPEATABILITY_PCT,
            )
        )


def _dealer(rows: Register, plan: DealerPlan, today: date, scope: Scope) -> None:
    dealer = registry.clean_and_save(
        Dealer(
            code=plan.code,
            name=plan.name,
            email=f"service@{plan.code.lower()}.example.org",
            timezone=plan.timezone,
            load_unit=plan.load_unit,
            pressure_unit=plan.pressure_unit,
            season_start=plan.season_start,
            country=plan.country,
            subdivision=plan.subdivision,
            tells_customers=True,
        )
    )
    rows.dealers[plan.code] = dealer
    if plan.reference:
        rows.references[plan.code] = registry.clean_and_save(
            ReferenceStandard(
                dealer=dealer,
                name=plan.reference.name,
                kind=plan.reference.kind,
                serial=plan.reference.serial,
                relative_uncertainty_pct=plan.reference.relative_uncertainty_pct,
                certificate=plan.reference.certificate,
                valid_until=today + timedelta(days=400),
            )
        )
    for number, name in enumerate(plan.customers, start=1):
        latitude, longitude = _around(plan, name)
        rows.customers[plan.code, name] = registry.register_customer(
            scope=scope,
            dealer=dealer,
            name=name,
            email=f"yard{number}@{plan.code.lower()}-customers.example.org",
            latitude=latitude,
            longitude=longitude,
        )


def _around(plan: DealerPlan, name: str) -> tuple[float, float]:
    """Return where a customer sits: some kilometres from the dealer, the same in every run."""
    chance = random.Random(f"{plan.code} {name}")  # noqa: S311 # nosec B311 - nothing secret
    way, where = chance.uniform(5, 70) / 111.2, chance.uniform(0, 2 * math.pi)  # degrees, radians
    latitude, longitude = plan.place
    east = way * math.sin(where) / math.cos(math.radians(latitude))
    return round(latitude + way * math.cos(where), 4), round(longitude + east, 4)


def _policies(rows: Register) -> None:
    for plan in POLICIES:
        registry.clean_and_save(
            TolerancePolicy(
                sensor_model=rows.sensor_models.get(plan.sensor_type),
                dealer=rows.dealers.get(plan.dealer),
                slope_tolerance_pct=plan.slope_tolerance_pct,
                offset_tolerance_pct=plan.offset_tolerance_pct,
                setpoints=list(plan.setpoints),
                load_unit=plan.load_unit,
            )
        )


def _people(rows: Register) -> None:
    """Enter everybody; only those of SIGN_INS get a password."""
    known = {person.name for person in SIGN_INS}
    others = [
        SignIn(_username(name), "", name, role, plan.code)
        for plan in DEALERS
        for role, names in (
            (Role.TECHNICIAN, plan.technicians),
            (Role.SERVICE_MANAGER, (plan.manager,)),
        )
        for name in names
        if name not in known
    ]
    places = {plan.code: plan.place for plan in DEALERS}
    for person in (*SIGN_INS, *others):
        first, _, last = person.name.partition(" ")
        user = User(
            username=person.username,
            first_name=first,
            last_name=last,
            email=f"{person.username}@{(person.dealer or 'spanbook').lower()}.example.org",
            is_staff=True,
        )
        user.set_password(person.password or None)
        registry.clean_and_save(user)
        dealer = rows.dealers.get(person.dealer)
        begins = places[person.dealer] if person.role == Role.TECHNICIAN else (None, None)
        registry.clean_and_save(
            Membership(
                user=user, dealer=dealer, role=person.role, latitude=begins[0], longitude=begins[1]
            )
        )


def _username(name: str) -> str:
    return name.partition(" ")[0].lower().translate(str.maketrans("éóńł", "eonl"))


def _machine(rows: Register, plan: PlannedMachine, today: date, scope: Scope) -> None:
    machine = registry.register_machine(
        scope=scope,
        customer=rows.customers[plan.dealer.code, plan.owner],
        model=rows.machine_models[plan.kind.prefix],
        serial=plan.serial,
        name=f"{plan.kind.name}, no. {plan.number}",
    )
    rows.machines[plan.serial] = machine
    days = [day for _, _, day in simulate.calendar_of(plan, today)]
    _cells(rows, machine, layout.cells(plan), days, scope)


def _cells(
    rows: Register,
    machine: Machine,
    cells: Iterable[PlannedCell],
    days: list[date],
    scope: Scope,
) -> None:
    for cell in cells:
        sensor = rows.sensors[cell.serial] = registry.register_sensor(
            scope=scope,
            dealer=machine.customer.dealer,
            serial=cell.serial,
            model=rows.sensor_models[cell.kind.prefix],
            lot=cell.lot,
            tag=asdict(simulate.true_line(cell).tag),
        )
        start = days[cell.first_visit - 1]
        if cell.serial == layout.REPLACEMENT.serials[0]:
            old = rows.installations[layout.REPLACEMENT.serials[1]]
            rows.installations[cell.serial] = registry.replace_sensor(
                scope=scope, installation=old, sensor=sensor, on=start
            )
            continue
        rows.installations[cell.serial] = registry.install_sensor(
            scope=scope,
            sensor=sensor,
            machine=machine,
            position=cell.position,
            installed_on=start - timedelta(days=6),
        )
