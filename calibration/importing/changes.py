"""What loading a record changes in the register."""

from dataclasses import dataclass, field

from fleet.models import Customer, Installation, Machine, Sensor


@dataclass
class Changes:
    """What one record changed in the register, to be told and to be read again."""

    customers: list[Customer] = field(default_factory=list)
    machines: list[Machine] = field(default_factory=list)
    sensors: list[Sensor] = field(default_factory=list)
    installations: list[Installation] = field(default_factory=list)
    moves: list[str] = field(default_factory=list)
    touched_sensors: list[Sensor] = field(default_factory=list)
    touched_machines: list[Machine] = field(default_factory=list)

    @property
    def brings(self) -> bool:
        """Whether the record brings new rows."""
        return bool(self.customers or self.machines or self.sensors or self.installations)

    def tell(self, created: dict[str, list[str]], changed: list[str]) -> None:
        """Add in words what was created and changed."""
        created["customers"] += [row.name for row in self.customers]
        created["machines"] += [row.serial for row in self.machines]
        created["sensors"] += [row.serial for row in self.sensors]
        for row in self.installations:
            since = f"{row.installed_on}{' (inferred)' if row.start_is_inferred else ''}"
            created["installations"].append(
                f"{row.sensor.serial} on {row.machine.serial} at {row.position} from {since}"
            )
        changed += self.moves
