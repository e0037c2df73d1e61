"""Who and what the invented fleet consists of: five dealers in two hemispheres, all made up.

Every serial says where its cell began: ``KP25-10312`` is dealer 1, customer 03, machine 1, cell 2.
Machine ``VG8-1031`` is dealer 1, customer 03, machine 1. Names of people, places and makes are
invented; addresses end in example.org, which RFC 2606 keeps for that.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class SensorType:
    """A type of load cell: what the register knows, and what the simulation needs beyond it."""

    prefix: str
    name: str
    rated_load: float
    load_unit: str
    reading_unit: str
    reading_min: float
    reading_max: float
    true_slope: float
    true_offset: float
    decimals: int
    signed: bool = False

    @property
    def nominal_slope(self) -> float | None:
        """What the register says; a beam that may be mounted either way up says nothing."""
        return None if self.signed else self.true_slope

    @property
    def nominal_offset(self) -> float | None:
        """As `nominal_slope`."""
        return None if self.signed else self.true_offset


@dataclass(frozen=True)
class MachineType:
    """A type of seeding machine, where its cells sit, and the load that its row unit weighs."""

    prefix: str
    name: str
    kind: str
    rows: int
    cells: str
    positions: tuple[str, ...]
    span_kgf: float


@dataclass(frozen=True)
class Reference:
    """What a dealer puts under (or on) the wheel."""

    name: str
    kind: str
    serial: str
    relative_uncertainty_pct: float
    certificate: str


@dataclass(frozen=True)
class DealerPlan:
    """One dealership: its calendar, its units, its way of calibrating, its customers.

    `place` is a point in farmland of its country, where nobody of this name lives.
    """

    code: str
    name: str
    timezone: str
    load_unit: str
    pressure_unit: str
    season_start: str
    loads: tuple[float, ...]
    reference: Reference | None
    technicians: tuple[str, ...]
    manager: str
    machines: tuple[str, ...]
    customers: tuple[str, ...]
    country: str
    subdivision: str
    place: tuple[float, float]


SENSOR_TYPES = {
    kind.prefix: kind
    for kind in (
        SensorType("KP25", "Kessim KP-250", 250, "kgf", "count", 0, 65535, 120, 12000, 0),
        SensorType("KP40", "Kessim KP-400", 400, "daN", "count", 0, 65535, 110, 9000, 0),
        SensorType("RW3", "Ruvane W3", 300, "kgf", "count", -8388608, 8388607, 9000, 84000, 0),
        SensorType(
            "TB2", "Tovald B2", 550, "lbf", "mV/V", -3.5, 3.5, 2 / 550, 0.05, 4, signed=True
        ),
    )
}

MACHINE_TYPES = {
    kind.prefix: kind
    for kind in (
        MachineType(
            "VG8",
            "Veltrup Garda 8",
            "planter",
            8,
            "KP25",
            ("row 1", "row 3", "row 6", "row 8"),
            105,
        ),
        MachineType(
            "VG16",
            "Veltrup Garda 16",
            "planter",
            16,
            "KP25",
            ("row 1", "row 5", "row 8", "row 12", "row 16"),
            118,
        ),
        MachineType(
            "SD30",
            "Sornik Disko 30",
            "disc_drill",
            30,
            "KP40",
            ("left 3", "left 11", "right 19", "right 27"),
            175,
        ),
        MachineType(
            "OS48",
            "Okemba Strand 48",
            "air_drill",
            48,
            "RW3",
            ("wing L6", "wing L18", "centre 24", "wing R31", "wing R43"),
            130,
        ),
        MachineType(
            "NP12",
            "Nandor Pampa 12",
            "planter",
            12,
            "TB2",
            ("row 2", "row 5", "row 8", "row 11"),
            110,
        ),
    )
}

# The loads are shares of the span load, in the order in which they were put on.
_OWN_WEIGHT = (0.0, 1.0)
_WEIGHTS = (0.0, 0.5, 1.0)
_UP_AND_DOWN = (0.0, 0.5, 1.0, 0.5, 0.0)

DEALERS = (
    DealerPlan(
        "KLON", "Klonowiec Siewniki", "Europe/Warsaw", "daN", "bar", "03-25", _OWN_WEIGHT, None,
        ("Jagoda Wilk", "Teodor Mróz"), "Halina Sowa", ("VG8", "SD30", "VG16"),
        (
            "Gospodarstwo Olszyny", "Brzozowy Kąt", "Rola Piaskowa", "Folwark Łąkowo",
            "Wierzbowe Pola", "Gospodarstwo Źródliska", "Stary Młyn Rolny", "Kępa Nadrzeczna",
            "Dąbrowa Dolna", "Jarzębiec",
        ),
        "PL", "", (52.7, 17.3),
    ),
    DealerPlan(
        "COULEE", "Thistle Coulee Seeding", "America/Regina", "lbf", "psi", "05-01", _WEIGHTS,
        Reference("Cast weights, set 3", "weight", "TC-W3", 0.2, "TC-2214"),
        ("Dale Okafor", "Maren Lindqvist"), "Bruce Tallow", ("OS48", "NP12"),
        (
            "Burnt Hat Farms", "Two Gate Land Co.", "Lindgren Brothers", "Sandhill Acres",
            "Quiet Slough Farm", "Osprey Bend", "Halloran Grain", "Stonepile Farming",
            "North Fence Farms",
        ),
        "CA", "SK", (51.2, -107.0),
    ),
    DealerPlan(
        "REDWILLOW", "Red Willow Planters", "America/Chicago", "lbf", "psi", "04-20", _OWN_WEIGHT,
        Reference("Platform scale A", "scale", "PS-0418", 0.3, "RW-118"),
        ("Cora Eastman", "Lyle Vandermeer"), "June Abernathy", ("VG16", "OS48", "NP12"),
        (
            "Cottonwood Section", "Hoverson Family Farm", "Kettle Lake Farms", "Prairie Smoke Ag",
            "Three Oaks Farming", "Willow Draw", "Big Slough Acres", "Meadowlark Partners",
            "Sundog Farms",
        ),
        "US", "NE", (41.3, -98.5),
    ),
    DealerPlan(
        "CEIBOS", "Tres Ceibos Sembradoras", "America/Argentina/Cordoba", "kgf", "bar", "09-20",
        _OWN_WEIGHT, Reference("Balanza 2", "scale", "B2-77", 0.3, "TCS-31"),
        ("Ramiro Luque", "Ailén Barroso"), "Norma Quiroga", ("NP12", "VG8", "SD30"),
        (
            "Estancia La Tijereta", "Campo Los Molles", "El Ombú Chico", "Don Eusebio",
            "La Cañada Verde", "Establecimiento Ñandú", "Las Tres Lagunas", "El Hornero",
            "Campo Santa Brisa",
        ),
        "AR", "", (-32.6, -62.9),
    ),
    DealerPlan(
        "MALLEE", "Mallee Ridge Ag Service", "Australia/Adelaide", "kgf", "kPa", "04-25",
        _UP_AND_DOWN, Reference("Transfer cell 1", "transfer_cell", "XF-1", 0.15, "MR-09"),
        ("Neve Hollis", "Tom Karras"), "Isla Brandt", ("OS48", "SD30"),
        (
            "Dusty Gum Farms", "Wirrabine", "Salt Lake Road", "Kooralda Station",
            "Three Chain Farming", "Old Siding", "Banksia Flat", "Emu Tank",
        ),
        "AU", "SA", (-34.3, 140.5),
    ),
)  # fmt: skip

VISITS = 5
"""How many seasons each customer has behind them."""


def machines_of(customer: int) -> int:
    """Return how many machines the n-th customer of a dealer has."""
    return 3 + customer % 2


@dataclass(frozen=True)
class SignIn:
    """Somebody who may sign in to the demo."""

    username: str
    password: str
    name: str
    role: str
    dealer: str = ""


# Known to everybody who reads this, and therefore good on 127.0.0.1 only; the command says so.
SIGN_INS = (
    SignIn("jagoda", "demo-jagoda", "Jagoda Wilk", "technician", "KLON"),
    SignIn("halina", "demo-halina", "Halina Sowa", "service_manager", "KLON"),
    SignIn("imre", "demo-imre", "Imre Fodor", "warranty_reviewer"),
    SignIn("adela", "demo-adela", "Adela Prins", "administrator"),
)


@dataclass(frozen=True)
class PolicyPlan:
    """A tolerance of its own for a dealer, a type of cell, or both; the rest as by default."""

    sensor_type: str
    dealer: str
    slope_tolerance_pct: float
    offset_tolerance_pct: float
    setpoints: tuple[float, ...]
    load_unit: str


POLICIES = (
    PolicyPlan("KP25", "", 3.0, 2.0, (50, 90), "kgf"),
    PolicyPlan("KP40", "", 3.0, 2.0, (80, 150), "daN"),
    PolicyPlan("RW3", "", 2.5, 2.0, (60, 110), "kgf"),
    PolicyPlan("TB2", "", 3.0, 2.0, (120, 220), "lbf"),
    PolicyPlan("KP40", "MALLEE", 3.5, 2.5, (80, 150), "daN"),
    PolicyPlan("", "CEIBOS", 3.5, 2.0, (50, 100), "kgf"),
)
