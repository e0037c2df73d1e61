"""Services of the register: enter customers and machines, install, move and remove sensors.

Each is one transaction, keyword-only, and says in `fleet.errors` what is wrong.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, TypeVar

from django.core.exceptions import ValidationError
from django.db import DatabaseError, IntegrityError, models, transaction
from django.db.models import Q

from fleet import access, overlaps
from fleet.errors import Conflict, Forbidden, Invalid, NotFound, Problem
from fleet.models import (
    ChangedSeat,
    Customer,
    Dealer,
    Installation,
    Machine,
    MachineModel,
    Sensor,
    SensorModel,
)
from fleet.models.folded import following
from fleet.scope import Scope
from fleet.texts import require_printable
from fleet.updating import hold

Row = TypeVar("Row", bound=models.Model)
_TAKEN = {"unique", "unique_together"}


def require(scope: Scope, verb: str, resource: str, dealer_id: int | None = None) -> None:
    """Raise Forbidden where the caller may not do this to this dealer's rows."""
    if not access.may(scope, verb, resource, dealer_id):
        raise Forbidden(f"Your role does not allow to {verb} {resource.replace('-', ' ')} here.")


def clean_and_save(row: Row, *, only: Iterable[str] | None = None) -> Row:
    """Validate a row and save it.

    Parameters
    ----------
    row
        New, or as it should be.
    only
        The columns that change: what others changed of the rest since it was read stays.

    Raises
    ------
    Invalid
        For values that cannot be; every one of them is named.
    Conflict
        Where another row already holds what must be unique.
    """
    require_printable(row, only)
    try:
        with transaction.atomic():
            row.full_clean()
            row.save(update_fields=None if only is None else _with_following(row, only))
            if isinstance(row, Installation):
                _mark_changed([row.sensor_id])
    except ValidationError as wrong:
        raise _translated(wrong, row) from wrong
    except (IntegrityError, DatabaseError) as clash:
        if _is_overlap(clash):
            raise Conflict(
                Problem(
                    "installed_on",
                    "That sensor or that position is taken for part of this time",
                    "days that do not overlap",
                    str(getattr(row, "installed_on", "")),
                )
            ) from clash
        if isinstance(clash, IntegrityError):
            raise Conflict("Another row already holds these values.") from clash
        if only is not None and not type(row)._default_manager.filter(pk=row.pk).exists():
            raise NotFound("Somebody has removed it meanwhile.") from clash
        raise
    return row


def _with_following(row: models.Model, names: Iterable[str]) -> set[str]:
    names = set(names)
    return names | {column.name for column in following(row, names)}


def _mark_changed(sensor_ids: Iterable[int]) -> None:
    """Note that these sensors sit elsewhere, or under another dealer, than they did."""
    ChangedSeat.objects.bulk_create([ChangedSeat(sensor_id=pk) for pk in sensor_ids])


def _is_overlap(clash: DatabaseError) -> bool:
    text = str(clash)
    return overlaps.MESSAGE in text or any(rule in text for rule in overlaps.RULES)


def _translated(wrong: ValidationError, row: models.Model) -> Invalid | Conflict:
    """Turn Django's messages into problems that name the field, the value and what is accepted."""
    problems, taken = [], False
    for field, errors in wrong.error_dict.items():
        for error in errors:
            taken |= error.code in _TAKEN
            reason = " ".join(error.messages)
            alike = (error.params or {}).get("unique_check") or _told_apart_by(row, reason)
            name = str(alike[-1] if alike else "") if field == "__all__" else field
            accepted = f"another {name.replace('_', ' ')}" if error.code in _TAKEN else ""
            value = getattr(row, name, None) if name else None
            shown = "" if value is None else str(value)[:80]
            problems.append(Problem(name, reason.rstrip("."), accepted if name else "", shown))
    return Conflict(*problems) if taken else Invalid(*problems)


def _told_apart_by(row: models.Model, message: str) -> Sequence[str]:
    """Return the columns by which a constraint with this message tells rows apart.

    The last of them is what a person changes: a position of a machine, a name at a dealer.
    """
    for constraint in row._meta.constraints:
        if (
            isinstance(constraint, models.UniqueConstraint)
            and constraint.get_violation_error_message() == message
        ):
            named = [name for each in constraint.expressions for name in _columns(each)]
            return [*constraint.fields, *named]
    return ()


def _columns(expression: Any) -> list[str]:
    if isinstance(expression, models.F):
        return [str(expression.name)]  # type: ignore[attr-defined] # the stubs do not know it
    inner = expression.get_source_expressions()
    return [name for each in inner for name in _columns(each)]


def edit(row: Row, *, scope: Scope, **changes: Any) -> Row:
    """Change fields of a row of the register; the others stay as somebody may have left them."""
    if isinstance(row, Sensor):
        _serial_stays(row, changes)
    for name, value in changes.items():
        setattr(row, name, value)
    return clean_and_save(row, only=changes)


def _serial_stays(sensor: Sensor, changes: Mapping[str, Any]) -> None:
    """A serial with records is fixed: its history is sealed under that name."""
    serial = changes.get("serial", sensor.serial)
    if serial == sensor.serial:
        return
    if sensor.calibrations.exists() or sensor.functionaltests.exists():
        raise Conflict(
            Problem(
                "serial", "The sensor has sealed records under its serial", sensor.serial, serial
            )
        )


def register_customer(
    *,
    scope: Scope,
    dealer: Dealer,
    name: str,
    email: str = "",
    phone: str = "",
    latitude: float | None = None,
    longitude: float | None = None,
) -> Customer:
    """Enter a customer of a dealer."""
    require(scope, "create", "customers", dealer.pk)
    place = {"latitude": latitude, "longitude": longitude}
    return clean_and_save(Customer(dealer=dealer, name=name, email=email, phone=phone, **place))


def register_machine(
    *, scope: Scope, customer: Customer, model: MachineModel, serial: str, name: str = ""
) -> Machine:
    """Enter a customer's machine."""
    require(scope, "create", "machines", customer.dealer_id)
    return clean_and_save(Machine(customer=customer, model=model, serial=serial, name=name))


def register_sensor(
    *,
    scope: Scope,
    dealer: Dealer,
    serial: str,
    model: SensorModel,
    lot: str = "",
    tag: Mapping[str, Any] | None = None,
) -> Sensor:
    """Enter a sensor, with the numbers on its tag where it has one."""
    require(scope, "create", "sensors", dealer.pk)
    numbers = {f"tag_{name}": value for name, value in (tag or {}).items()}
    return clean_and_save(Sensor(dealer=dealer, serial=serial, model=model, lot=lot, **numbers))


@transaction.atomic
def install_sensor(
    *,
    scope: Scope,
    sensor: Sensor,
    machine: Machine,
    position: str,
    installed_on: date,
    start_is_inferred: bool = False,
) -> Installation:
    """Put a sensor at a position of a machine; it comes under the machine's dealer."""
    hold(machine)  # it may have been resold meanwhile
    dealer_id = machine.customer.dealer_id
    require(scope, "create", "installations", dealer_id)
    hold(sensor)
    installation = clean_and_save(
        Installation(
            sensor=sensor,
            machine=machine,
            position=position,
            installed_on=installed_on,
            start_is_inferred=start_is_inferred,
        )
    )
    if sensor.dealer_id != dealer_id:
        sensor.dealer_id = dealer_id
        sensor.save(update_fields=["dealer"])
    return installation


@transaction.atomic
def remove_sensor(*, scope: Scope, installation: Installation, removed_on: date) -> Installation:
    """Take a sensor off its machine."""
    hold(installation)
    require(scope, "edit", "installations", installation.sensor.dealer_id)
    if installation.removed_on is not None and installation.removed_on != removed_on:
        raise Conflict(
            Problem(
                "removed_on",
                "It was already removed",
                str(installation.removed_on),
                str(removed_on),
            )
        )
    installation.removed_on = removed_on
    return clean_and_save(installation, only=["removed_on"])


@transaction.atomic
def replace_sensor(
    *, scope: Scope, installation: Installation, sensor: Sensor, on: date
) -> Installation:
    """Take a sensor off and put another one in its place, on one day.

    Raises
    ------
    Invalid
        If it is the same one.
    """
    if sensor.pk == installation.sensor_id:
        raise Invalid(Problem("sensor", "It is the sensor that comes off", "another sensor"))
    remove_sensor(scope=scope, installation=installation, removed_on=on)
    return install_sensor(
        scope=scope,
        sensor=sensor,
        machine=installation.machine,
        position=installation.position,
        installed_on=on,
    )


@transaction.atomic
def transfer_machine(*, scope: Scope, machine: Machine, customer: Customer) -> Machine:
    """Resell a machine: it and the sensors on it come under the new owner's dealer.

    Both the seller and the buyer must be the caller's to edit.
    """
    hold(machine)
    require(scope, "edit", "machines", machine.customer.dealer_id)
    require(scope, "edit", "machines", customer.dealer_id)
    machine.customer = customer
    clean_and_save(machine, only=["customer"])
    on_it = Q(installations__machine=machine, installations__removed_on__isnull=True)
    ids = list(Sensor.objects.filter(on_it).values_list("pk", flat=True))
    Sensor.objects.filter(pk__in=ids).update(dealer_id=customer.dealer_id)
    _mark_changed(ids)
    return machine
