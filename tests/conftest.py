"""What every test may use: two dealers with their people, machines and sensors."""

import random
import shutil
import sqlite3
import uuid
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.db import connection
from hypothesis import settings as hypothesis_settings

from calibration import records
from calibration.models import ReferenceStandard
from fleet import registry
from fleet.access import scope_of
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
from tests import databases
from tests.flushing import unsealed
from tests.shared_world import QUICK, SHARED, the_world, upon_the_world

NOW = datetime(2026, 4, 10, 12, 0, tzinfo=UTC)
SYSTEM = Scope.system()
PASSWORD = "long-enough-for-a-test"

# No test is about how long an example took: a machine that is busy would decide it.
hypothesis_settings.register_profile("spanbook", deadline=None)
hypothesis_settings.load_profile("spanbook")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Where processes share the tests (`-n 2 --dist loadgroup`), keep each file in one of them."""
    for item in items:
        item.add_marker(pytest.mark.xdist_group(str(item.path)))


@pytest.fixture(autouse=True)
def _quick_passwords(settings):
    """Hash passwords quickly: what is tested is never how slow Argon2 is."""
    settings.PASSWORD_HASHERS = QUICK["PASSWORD_HASHERS"]


@pytest.fixture(autouse=True)
def _same_ids(request, monkeypatch):
    """Give records the same ids in every run: which one comes first is never left to chance."""
    numbers = random.Random(request.node.nodeid)
    monkeypatch.setattr(uuid, "uuid4", lambda: uuid.UUID(int=numbers.getrandbits(128), version=4))


@pytest.fixture(autouse=True)
def _plain_doors(settings):
    """Let tests sign in without a second factor or a request, the tests of the doors apart."""
    settings.SECOND_FACTOR = "optional"
    settings.AXES_ENABLED = False


@pytest.fixture(scope="session", autouse=True)
def _flushable():
    """Let a transactional test empty sealed tables afterwards; flush puts the seals on again."""
    with unsealed():
        yield


@dataclass
class World:
    """Two dealers, A in the north and B in the south, who must never see one another."""

    dealers: dict[str, Dealer]
    users: dict[str, User]
    customers: dict[str, Customer]
    machines: dict[str, Machine]
    sensors: dict[str, Sensor]
    installations: dict[str, Installation]
    references: dict[str, ReferenceStandard]
    machine_model: MachineModel
    sensor_model: SensorModel
    scopes: dict[str, Scope] = field(default_factory=dict)

    def draft(self, which: str = "A1", **changes: Any) -> records.CalibrationDraft:
        """Return a sound calibration draft of one of the sensors."""
        values: dict[str, Any] = {
            "sensor": self.sensors[which],
            "performed_at": datetime(2026, 3, 10, 9, 0, tzinfo=UTC),
            "load_unit": "daN",
            "reading_unit": "count",
            "points": (records.PointDraft(0, 20000), records.PointDraft(100, 30000)),
        }
        return records.CalibrationDraft(**(values | changes))

    def add_sensor(self, which: str, **values: Any) -> Sensor:
        """Add a sensor to the first machine of the dealer whose letter the name begins with."""
        letter = which[0]
        sensor = self.sensors[which] = registry.register_sensor(
            scope=SYSTEM,
            dealer=self.dealers[letter],
            serial=f"S-{which}",
            model=self.sensor_model,
            **values,
        )
        self.installations[which] = registry.install_sensor(
            scope=SYSTEM,
            sensor=sensor,
            machine=self.machines[f"{letter}1"],
            position=f"row {which}",
            installed_on=date(2020, 1, 1),
        )
        return sensor

    def tag(self, which: str, *, span_reading: float) -> None:
        """Note a tag of a sensor: zero at 20000, and this reading at 100 daN."""
        Sensor.objects.filter(pk=self.sensors[which].pk).update(
            tag_zero_reading=20000.0, tag_span_reading=span_reading, tag_span_load=100.0,
            tag_load_unit="daN",
        )  # fmt: skip
        self.sensors[which].refresh_from_db()

    def season(self, which: str, year: int, **changes: Any) -> records.Recorded:
        """Record a sound calibration of a sensor in March of a year."""
        when = datetime(year, 3, 10, 9, 0, tzinfo=UTC)
        draft = self.draft(which, **({"performed_at": when} | changes))
        return records.record_calibration(draft, scope=SYSTEM, now=max(NOW, when))


def build_world() -> World:
    """Make two dealers with one user per role, two machines each, two sensors a machine."""
    planter = MachineModel.objects.create(name="Ackerfurche 8", kind="planter", rows=8)
    cell = SensorModel.objects.create(
        name="LC-500",
        rated_load=200.0,
        load_unit="daN",
        reading_unit="count",
        reading_min=0.0,
        reading_max=65535.0,
        nominal_slope=100.0,
        nominal_offset=20000.0,
    )
    dealers = {
        "A": Dealer.objects.create(
            code="NORTH",
            name="Nordfeld Service",
            timezone="Europe/Warsaw",
            load_unit="daN",
            season_start="03-20",
            email="desk@north.example",
        ),
        "B": Dealer.objects.create(
            code="SOUTH",
            name="Campo Sul",
            timezone="America/Sao_Paulo",
            load_unit="kgf",
            season_start="10-01",
            email="desk@south.example",
        ),
    }
    world = World(dealers, {}, {}, {}, {}, {}, {}, planter, cell)
    for letter, dealer in dealers.items():
        _people(world, letter, dealer)
        _fleet(world, letter, dealer)
    for name, role in (("reviewer", Role.WARRANTY_REVIEWER), ("admin", Role.ADMINISTRATOR)):
        world.users[name] = _user(name)
        Membership.objects.create(user=world.users[name], role=role)
    world.scopes = {name: scope_of(user) for name, user in world.users.items()}
    return world


def _user(name: str) -> User:
    return User.objects.create_user(
        name, f"{name}@people.example", PASSWORD, is_staff=True, first_name=name.title()
    )


def _people(world: World, letter: str, dealer: Dealer) -> None:
    for name, role in (("tech", Role.TECHNICIAN), ("manager", Role.SERVICE_MANAGER)):
        user = world.users[f"{name}{letter}"] = _user(f"{name}{letter}")
        Membership.objects.create(user=user, dealer=dealer, role=role)


def _fleet(world: World, letter: str, dealer: Dealer) -> None:
    world.references[letter] = ReferenceStandard.objects.create(
        dealer=dealer, name="scale 1", kind="scale", relative_uncertainty_pct=0.5
    )
    for number in (1, 2):
        name = f"{letter}{number}"
        customer = world.customers[name] = registry.register_customer(
            scope=SYSTEM,
            dealer=dealer,
            name=f"Farm {name}",
            email=f"{name.lower()}@farm.example",
            phone=f"+48 555 {name}",
        )
        machine = world.machines[name] = registry.register_machine(
            scope=SYSTEM, customer=customer, model=world.machine_model, serial=f"M-{name}"
        )
        for position, suffix in (("row 1", ""), ("row 8", "b")):
            sensor = world.sensors[name + suffix] = registry.register_sensor(
                scope=SYSTEM,
                dealer=dealer,
                serial=f"S-{name}{suffix}",
                model=world.sensor_model,
                lot="L1",
            )
            world.installations[name + suffix] = registry.install_sensor(
                scope=SYSTEM,
                sensor=sensor,
                machine=machine,
                position=position,
                installed_on=date(2020, 1, 1),
            )


world = the_world(build_world)


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup, django_db_blocker):
    """Make the test database, as ever, and let tests share what they all begin with."""
    SHARED.database_is_there(django_db_blocker)
    yield
    SHARED.close()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    SHARED.prepare(item)


@upon_the_world
def full(world: World) -> World:
    """Return the world with rows for every page."""
    from tests.desk import fill

    return fill(world)


@pytest.fixture(scope="session")
def migrated_file(tmp_path_factory):
    """Return the SQLite file that `migrate` leaves, made once in a process, to be copied."""
    path = tmp_path_factory.mktemp("migrated") / "migrated.sqlite3"
    done = databases.manage(f"sqlite:///{path}", "migrate", "-v0")
    assert done.returncode == 0, done.stderr
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # all of it is in the one file
    plain.close()
    return path


@pytest.fixture(scope="session")
def migrated(request, tmp_path_factory):
    """Return the address of the database that `migrate` leaves, to be copied by `databases`."""
    if not databases.on_server():
        yield f"sqlite:///{request.getfixturevalue('migrated_file')}"
        return
    url = databases.url_of("migrated", tmp_path_factory.getbasetemp())
    databases.make(url)
    done = databases.manage(url, "migrate", "-v0")
    assert done.returncode == 0, done.stderr
    yield url
    databases.drop(url)


@pytest.fixture
def url(request, transactional_db, tmp_path):
    """Return the address of a real database that this process and others write to."""
    told = connection.settings_dict
    if connection.vendor == "postgresql":
        place = f"{told['USER']}:{told['PASSWORD']}@{told['HOST']}:{told['PORT'] or 5432}"
        yield f"postgresql://{place}/{told['NAME']}"
        return
    # The test database lives in memory, where no other process sees it.
    inner, name, path = connection.connection, told["NAME"], tmp_path / "killed.sqlite3"
    shutil.copyfile(request.getfixturevalue("migrated_file"), path)
    connection.connection, told["NAME"] = None, str(path)
    try:
        yield f"sqlite:///{path}"
    finally:
        connection.close()
        connection.connection, told["NAME"] = inner, name
