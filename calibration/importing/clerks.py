"""Who enters what a record brings: at once, or together with what other records bring."""

from datetime import date
from typing import Any, Protocol, TypeVar

from django.db.models import Model

from calibration.importing.placing import Claim
from fleet import registry
from fleet.enrolling import Keys, checked
from fleet.errors import Invalid
from fleet.models import (
    Customer,
    Dealer,
    Installation,
    Machine,
    MachineModel,
    Sensor,
    SensorModel,
)
from fleet.scope import Scope

Row = TypeVar("Row", bound=Model)


class NotPlain(Exception):
    """A record does more to the register than bring new rows: it must be stored by itself."""


class Clerk(Protocol):
    """Enters what one record brings; a `DomainError` says what is wrong with it."""

    def customer(self, dealer: Dealer, name: str) -> Customer:
        """Enter a customer."""
        ...

    def machine(self, customer: Customer, model: MachineModel, serial: str) -> Machine:
        """Enter a machine."""
        ...

    def sensor(
        self, dealer: Dealer, model: SensorModel, serial: str, lot: str, tag: dict[str, Any]
    ) -> Sensor:
        """Enter a sensor with the numbers on its tag."""
        ...

    def install(self, sensor: Sensor, machine: Machine, claim: Claim) -> Installation:
        """Put a sensor where a record claims that it sat."""
        ...

    def move_start(self, row: Installation, day: date) -> Installation:
        """Let an installation begin earlier."""
        ...

    def take_off(self, row: Installation, day: date) -> Installation:
        """End an installation."""
        ...


class AtOnce:
    """Enters each row through the registry, which says in words what is wrong with it."""

    def __init__(self, scope: Scope) -> None:
        self.scope = scope

    def customer(self, dealer: Dealer, name: str) -> Customer:
        """Enter a customer."""
        return registry.register_customer(scope=self.scope, dealer=dealer, name=name)

    def machine(self, customer: Customer, model: MachineModel, serial: str) -> Machine:
        """Enter a machine."""
        return registry.register_machine(
            scope=self.scope, customer=customer, model=model, serial=serial
        )

    def sensor(
        self, dealer: Dealer, model: SensorModel, serial: str, lot: str, tag: dict[str, Any]
    ) -> Sensor:
        """Enter a sensor with the numbers on its tag."""
        return registry.register_sensor(
            scope=self.scope, dealer=dealer, serial=serial, model=model, lot=lot, tag=tag
        )

    def install(self, sensor: Sensor, machine: Machine, claim: Claim) -> Installation:
        """Put a sensor where a record claims that it sat."""
        if claim.removed_on is None:
            return registry.install_sensor(
                scope=self.scope,
                sensor=sensor,
                machine=machine,
                position=claim.position,
                installed_on=claim.start,
                start_is_inferred=claim.installed_on is None,
            )
        registry.require(self.scope, "create", "installations", sensor.dealer_id)
        return registry.clean_and_save(_installation(sensor, machine, claim))

    def move_start(self, row: Installation, day: date) -> Installation:
        """Let an installation begin earlier."""
        return registry.edit(row, scope=self.scope, installed_on=day)

    def take_off(self, row: Installation, day: date) -> Installation:
        """End an installation."""
        return registry.remove_sensor(scope=self.scope, installation=row, removed_on=day)


class Noting:
    """Makes the rows and enters nothing: whoever asked enters them, with many others.

    A row that cannot be is not plain: the registry says in words what is wrong with it.
    """

    def __init__(self, keys: Keys) -> None:
        self.keys = keys

    def customer(self, dealer: Dealer, name: str) -> Customer:
        """Note a customer."""
        return self._noted(Customer(dealer=dealer, name=name))

    def machine(self, customer: Customer, model: MachineModel, serial: str) -> Machine:
        """Note a machine."""
        return self._noted(Machine(customer=customer, model=model, serial=serial))

    def sensor(
        self, dealer: Dealer, model: SensorModel, serial: str, lot: str, tag: dict[str, Any]
    ) -> Sensor:
        """Note a sensor with the numbers on its tag."""
        numbers = {f"tag_{name}": value for name, value in tag.items()}
        return self._noted(Sensor(dealer=dealer, serial=serial, model=model, lot=lot, **numbers))

    def install(self, sensor: Sensor, machine: Machine, claim: Claim) -> Installation:
        """Note an installation."""
        return self._noted(_installation(sensor, machine, claim))

    def move_start(self, row: Installation, day: date) -> Installation:
        """Leave it to the registry, which looks at what stands in between."""
        raise NotPlain

    def take_off(self, row: Installation, day: date) -> Installation:
        """Leave it to the registry."""
        raise NotPlain

    def _noted(self, row: Row) -> Row:
        try:
            row = checked(row)
        except Invalid as wrong:
            raise NotPlain from wrong
        row.pk = self.keys.take(type(row))
        return row


def _installation(sensor: Sensor, machine: Machine, claim: Claim) -> Installation:
    return Installation(
        sensor=sensor,
        machine=machine,
        position=claim.position,
        installed_on=claim.start,
        removed_on=claim.removed_on,
        start_is_inferred=claim.installed_on is None,
    )
