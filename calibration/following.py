"""What follows for verdicts and due days from a change in the register, at every entrance."""

from collections.abc import Collection
from datetime import datetime

from django.db import transaction

from calibration import due, policies
from fleet import registry
from fleet.models import Customer, Dealer, Installation, Machine, Sensor
from fleet.scope import Scope
from fleet.updating import hold_all

# Columns whose change makes other verdicts: of a sensor, and of a dealer.
JUDGED_BY = frozenset(
    {"model", "lot", "tag_zero_reading", "tag_span_reading", "tag_span_load", "tag_load_unit"}
)
CALENDAR = frozenset({"timezone", "season_start", "country", "subdivision"})


@transaction.atomic
def transfer_machine(
    *, scope: Scope, machine: Machine, customer: Customer, now: datetime
) -> Machine:
    """Resell a machine; the sensors on it are judged again, and are due by the buyer's dealer."""
    registry.transfer_machine(scope=scope, machine=machine, customer=customer)
    on_it = Installation.objects.filter(machine=machine, removed_on__isnull=True)
    sensors = list(on_it.values_list("sensor", flat=True))
    policies.mark_stale(sensors, why="its machine was resold", now=now)
    due.give_up(machine, now=now)
    due.refresh(sensors, now=now)
    return machine


@transaction.atomic
def sensors_moved(*places: Installation, now: datetime) -> None:
    """Let verdicts be made again of what was installed, moved or removed; due days at once."""
    sensors = [place.sensor_id for place in places]
    # Before the note, as everybody does who holds a sensor and has it judged again.
    hold_all(Sensor.objects.filter(pk__in=sensors))
    policies.mark_stale(sensors, why="it was installed, moved or removed", now=now)
    due.refresh(sensors, now=now)


def sensor_edited(sensor: Sensor, changed: Collection[str], *, now: datetime) -> None:
    """Have a sensor judged again, where its verdicts rest on one of the changed columns."""
    if not JUDGED_BY.isdisjoint(changed):
        policies.mark_anew([sensor.pk], why="its model, lot or tag changed", now=now)


def dealer_edited(dealer: Dealer, changed: Collection[str], *, now: datetime) -> None:
    """Have judged again what another calendar of a dealer puts into other seasons."""
    if not CALENDAR.isdisjoint(changed):
        policies.mark_rule_changed(dealer, now=now)
