"""One record into the register: create what is unknown, and put the sensor where it was."""

from calibration.importing.naming import ELSEWHERE, TRANSFER, Naming
from calibration.importing.placing import Claim, Placement, Unplaceable, place
from calibration.models import Calibration, FunctionalTest, Reason
from fleet.models import Customer, Installation, Machine, MachineModel, Sensor

REPLACES = (Reason.REPLACEMENT, Reason.COMMISSIONING)


class Registering(Naming):
    """Puts one record's machine and customer into the register, and its sensor in its place."""

    def settle(self, sensor: Sensor | None) -> None:
        """See to it that the sensor sits where the record says on the record's day."""
        said = self.said
        machine = self._machine()
        if (said.machine == "") != (said.position == ""):
            blank = "position" if said.machine else "machine"
            if blank not in self.record.unreadable:
                self.record.refuse(blank, "It is blank", "machine and position, or neither")
        if machine is None or sensor is None or not said.position or said.performed_at is None:
            return
        day = said.performed_at.astimezone(self.dealer.zone).date()
        replaces = said.reason in REPLACES
        self._place(
            sensor,
            machine,
            Claim(machine.id, said.position, day, said.installed_on, said.removed_on, replaces),
        )

    def _place(self, sensor: Sensor, machine: Machine, claim: Claim) -> None:
        own = self.register.installations_of(sensor)
        there = self.register.installations_at(machine, claim.position)
        others = [row for row in there if row.sensor_id != sensor.id]
        try:
            self._put(sensor, machine, claim, place(claim, own=own, there=others))
        except Unplaceable as wrong:
            value = str(getattr(self.said, wrong.column))
            self.record.refuse(wrong.column, wrong.reason, wrong.accepted, value=value)

    def _machine(self) -> Machine | None:
        said = self.said
        if not said.machine:
            if said.customer:
                self.record.refuse(
                    "machine", "It is blank beside a customer", "the machine, or no customer"
                )
            return None
        known = self.register.machine(said.machine)
        if known is None:
            return self._new_machine()
        if known.customer.dealer_id != self.dealer.id:
            self.record.refuse("machine", ELSEWHERE, TRANSFER, value=said.machine)
            return None
        self.agrees("machine_model", known.model.name)
        if said.customer and self.register.customer(said.customer) != known.customer:
            self.record.refuse(
                "customer",
                f"The machine is registered for {known.customer.name!r}",
                "the same, or blank; transfer the machine first",
                value=said.customer,
            )
        return known

    def _new_machine(self) -> Machine | None:
        model: MachineModel | None = self.catalogue("machine_model", self.register.machine_models)
        customer = self._customer()
        if model is None or customer is None:
            return None
        return self.created(
            self.changes.machines,
            {"serial": "machine", "model": "machine_model", "": "machine"},
            lambda: self.clerk.machine(customer, model, self.said.machine),
        )

    def _customer(self) -> Customer | None:
        name = self.said.customer
        if not name:
            if "customer" not in self.record.unreadable:
                self.record.refuse("customer", "It is blank", "who owns the new machine")
            return None
        known = self.register.customer(name)
        if known is not None:
            return known
        return self.created(
            self.changes.customers,
            {"name": "customer", "": "customer"},
            lambda: self.clerk.customer(self.dealer, name),
        )

    def _put(self, sensor: Sensor, machine: Machine, claim: Claim, decided: Placement) -> None:
        changes = self.changes
        if decided.here:
            self.installation = decided.here
            return
        changes.touched_sensors += [sensor, *(row.sensor for row in decided.take_off)]
        changes.touched_machines += [machine, *(row.machine for row in decided.take_off)]
        if decided.start_back:
            row = decided.start_back
            self.installation = self.created([], {}, lambda: self.clerk.move_start(row, claim.day))
            changes.moves.append(f"start of {row} moved back to {claim.day}")
            return
        for row in decided.take_off:
            self._take_off(row, claim)
        self.installation = self.created(
            changes.installations,
            {"": "position"},
            lambda: self.clerk.install(sensor, machine, claim),
        )

    def _take_off(self, row: Installation, claim: Claim) -> None:
        """End an installation, unless something was measured there after this record."""
        later = {"installation": row, "performed_at__gt": self.said.performed_at}
        if (
            Calibration.objects.filter(**later).exists()
            or FunctionalTest.objects.filter(**later).exists()
        ):
            raise Unplaceable(
                "performed_at",
                f"Sensor {row.sensor.serial} has later records on machine {row.machine.serial} at "
                f"{row.position}",
                "a record after them, or the place where the sensor was on that day",
            )
        self.created([], {"": "position"}, lambda: self.clerk.take_off(row, claim.start))
        self.changes.moves.append(f"{row}: removed on {claim.start}")
