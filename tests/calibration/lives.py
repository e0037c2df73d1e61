"""Random lives of sensors: seasons with troubles, superseded records, resold machines."""

import random
from datetime import UTC, date, datetime

from calibration import records
from calibration.records import PointDraft
from fleet import registry
from tests.conftest import NOW, SYSTEM

YEARS = (2021, 2022, 2023, 2024, 2025, 2026)
LATE = (
    "A10",
    "A03",
    "B10",
    "A04",
    "B03",
    "B04",
)  # registered last; their serials sort before others'


def grow(world, seed, count=39):
    """Record so many calibrations after one of each sensor; machines are resold in between."""
    rng = random.Random(seed)
    for name in LATE:
        world.add_sensor(name, lot=rng.choice(["L1", "L2"]))
    chosen = sorted(world.sensors)
    for change in (
        lambda: resell(world, "B2", "A2"),
        lambda: (resell(world, "A1", "B1"), move(world, "A2", "B1")),
        lambda: None,
    ):
        chosen += [rng.choice(sorted(world.sensors)) for _ in range(count // 3)]
        drafts = [draft(world, which, rng) for which in chosen]
        answers = records.record_many(drafts, scope=SYSTEM, now=NOW)
        # Two of a batch may want to supersede the same record: one is refused.
        assert sum(isinstance(each, records.Recorded) for each in answers) > count // 4
        change()
        chosen = []


def live(world, which, rng):
    """Record one more calibration of a sensor."""
    records.record_calibration(draft(world, which, rng), scope=SYSTEM, now=NOW)


def draft(world, which, rng):
    """Return a calibration of a sensor, sound or not, with any reference of its dealer."""
    sensor = world.sensors[which]
    sensor.refresh_from_db()
    owner = next(letter for letter, each in world.dealers.items() if each.pk == sensor.dealer_id)
    # Days are few, so that many are shared.
    when = datetime(rng.choice(YEARS), 3, rng.choice([3, 10, 17]), 9, tzinfo=UTC)
    return world.draft(
        which,
        performed_at=when,
        reference=world.references[owner] if rng.random() < 0.7 else None,
        reason=rng.choice(["seasonal"] * 8 + ["repair", "replacement"]),
        load_unit=rng.choice(["daN"] * 5 + ["kgf", "lbf"]),
        points=points(rng),
        **superseding(sensor, rng),
    )


def points(rng):
    """Two to six points of a line that is off by a little or by much."""
    zero, span = 20000 + rng.gauss(0, 120), 10000 * (1 + rng.gauss(0, 0.02))
    if rng.random() < 0.2:
        span *= rng.choice([0.9, 1.1])
    loads = [100.0 * place / 5 for place in range(6)]
    chosen = sorted({0.0, 100.0, *rng.sample(loads, rng.choice([0, 0, 1, 3]))})
    return tuple(PointDraft(load, zero + span * load / 100 + rng.gauss(0, 15)) for load in chosen)


def superseding(sensor, rng):
    """Now and then, the record of this sensor that a new one supersedes."""
    standing = list(sensor.calibrations.filter(superseded_by=None).order_by("chain_number"))
    if not standing or rng.random() > 0.25:
        return {}
    return {"supersedes": rng.choice(standing), "supersede_reason": "typed wrongly"}


def resell(world, machine, customer):
    """Sell a machine, with the sensors on it, to a customer of another dealer."""
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines[machine], customer=world.customers[customer]
    )


def move(world, which, machine):
    """Take a sensor off its machine and put it on another one."""
    day = date(2026, 4, 1)
    old = world.installations[which]
    registry.remove_sensor(scope=SYSTEM, installation=old, removed_on=day)
    world.installations[which] = registry.install_sensor(
        scope=SYSTEM,
        sensor=world.sensors[which],
        machine=world.machines[machine],
        position=f"row {which}",
        installed_on=day,
    )
