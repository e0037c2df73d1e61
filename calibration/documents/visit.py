"""The visit sheet: one customer's machines, last season's numbers, what to expect, what to do."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from calibration import policies
from calibration.documents.flag_words import flag_words
from calibration.documents.latest import latest_answers
from calibration.documents.procedure import CAUTIONS, STEPS
from calibration.documents.visit_numbers import (
    BASIS,
    expected_numbers,
    last_numbers,
    tag_numbers,
    tolerance_of,
)
from calibration.documents.wording import DUE_BECAUSE, dealer_facts, local_day, natural
from calibration.models import DriftFlag, DueState
from calibration.policies import Rule
from fleet import seasons
from fleet.errors import NotFound
from fleet.models import Customer, Dealer, Installation, Machine
from fleet.scope import Scope

FAR = date.max


@dataclass(frozen=True)
class _Known:
    """What is known of the sensors of one sheet or of many, read at once; keyed by sensor."""

    last: Mapping[int, dict[str, Any]]
    rules: Mapping[int, Rule]
    due: Mapping[int, DueState]
    flags: Mapping[int, list[DriftFlag]]


@dataclass(frozen=True)
class _Facts(_Known):
    """Everything that one sheet needs."""

    dealer: Dealer
    today: date


def visit_sheet_data(customer: Customer, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return the visit sheet of one customer as JSON values.

    The number of queries does not depend on how many machines and sensors there are.
    """
    (sheet,) = visit_sheets_data([customer], scope=scope, now=now)
    return sheet


def visit_sheets_data(
    customers: Sequence[Customer], *, scope: Scope, now: datetime
) -> list[dict[str, Any]]:
    """Return the visit sheets of several customers, read together, in the order given."""
    rows = Customer.objects.visible_to(scope).select_related("dealer")
    seen = rows.in_bulk([customer.pk for customer in customers])
    if len(seen) < len({customer.pk for customer in customers}):
        raise NotFound("There is no such customer.")
    machines, installed = defaultdict(list), defaultdict(list)
    found = Machine.objects.visible_to(scope).filter(customer__in=seen).select_related("model")
    for machine in found:
        machines[machine.customer_id].append(machine)
    places = (
        Installation.objects.visible_to(scope)
        .filter(machine__customer__in=seen, removed_on__isnull=True)
        .select_related("machine", "sensor__model", "sensor__dealer")
    )
    for place in places:
        installed[place.machine.customer_id].append(place)
    sensors = [place.sensor_id for some in installed.values() for place in some]
    known = _read(sensors, scope)
    return [
        _sheet(seen[each.pk], machines[each.pk], installed[each.pk], known, scope=scope, now=now)
        for each in customers
    ]


def _sheet(
    row: Customer,
    machines: Sequence[Machine],
    installed: Sequence[Installation],
    known: _Known,
    *,
    scope: Scope,
    now: datetime,
) -> dict[str, Any]:
    facts = _Facts(**vars(known), dealer=row.dealer, today=now.astimezone(row.dealer.zone).date())
    season = seasons.season_of(facts.today, row.dealer.season_start)
    return {
        "issued_at": now.isoformat(),
        "issued_on": facts.today.isoformat(),
        "season": season,
        "season_starts": seasons.starts_on(season, row.dealer.season_start).isoformat(),
        "dealer": dealer_facts(row.dealer),
        "customer": _customer(row, scope),
        "machines": _machines(machines, installed, facts),
        "basis": BASIS,
        "cautions": list(CAUTIONS),
        "steps": list(STEPS),
    }


def _customer(customer: Customer, scope: Scope) -> dict[str, Any]:
    facts = {"id": customer.pk, "name": customer.name}
    if scope.sees_contacts_of(customer.dealer_id):
        facts |= {"email": customer.email, "phone": customer.phone}
    return facts


def _read(sensor_ids: Sequence[int], scope: Scope) -> _Known:
    last = latest_answers(sensor_ids, scope)
    flags = defaultdict(list)
    standing = (
        DriftFlag.objects.visible_to(scope)
        .filter(sensor_id__in=sensor_ids)
        .exclude(status=DriftFlag.Status.CLOSED)
        .select_related("calibration", "functional_test")
    )
    for flag in sorted(standing, key=lambda one: (_moment(one), one.pk), reverse=True):
        flags[flag.sensor_id].append(flag)
    due = DueState.objects.visible_to(scope).filter(sensor_id__in=sensor_ids)
    return _Known(
        last=last,
        rules=policies.rules_for(sensor_ids),
        due={state.sensor_id: state for state in due},
        flags=flags,
    )


def _machines(
    machines: Iterable[Machine], installed: Iterable[Installation], facts: _Facts
) -> list[dict[str, Any]]:
    places = defaultdict(list)
    for place in installed:
        places[place.machine_id].append(place)
    sheets = [_machine(machine, places[machine.pk], facts) for machine in machines]
    return sorted(sheets, key=lambda one: (one["due_on"] or FAR.isoformat(), one["serial"]))


def _machine(machine: Machine, places: list[Installation], facts: _Facts) -> dict[str, Any]:
    positions = [
        _position(place, facts) for place in sorted(places, key=lambda one: natural(one.position))
    ]
    due = min((one["due_on"] for one in positions if one["due_on"]), default=None)
    return {
        "id": machine.pk,
        "serial": machine.serial,
        "name": machine.name,
        "model": machine.model.name,
        "kind": machine.model.get_kind_display(),
        "due_on": due,
        "due": _standing(due, facts),
        "positions": positions,
    }


def _standing(due_on: str | None, facts: _Facts) -> str:
    """Say in one word how a due day stands to today; empty where none is known."""
    if due_on is None:
        return ""
    if due_on < facts.today.isoformat():
        return "overdue"
    announced = facts.today + timedelta(days=facts.dealer.reminder_lead_days)
    return "due" if due_on <= announced.isoformat() else "later"


def _position(place: Installation, facts: _Facts) -> dict[str, Any]:
    sensor, rule = place.sensor, facts.rules[place.sensor_id]
    due, last = facts.due.get(sensor.pk), facts.last.get(sensor.pk)
    due_on = due.due_on.isoformat() if due else None
    answer: dict[str, Any] = {
        "position": place.position,
        "installed_on": place.installed_on.isoformat(),
        "sensor": {
            "id": sensor.pk,
            "serial": sensor.serial,
            "model": sensor.model.name,
            "lot": sensor.lot,
            "tag": tag_numbers(sensor),
        },
        "due_on": due_on,
        "due": _standing(due_on, facts),
        "due_because": DUE_BECAUSE[due.decided_by] if due else "",
        "last": None,
        "expected": None,
        "flags": [_flag(flag, facts.dealer) for flag in facts.flags.get(sensor.pk, ())],
    }
    if last is not None:
        answer["last"] = last_numbers(
            last,
            day=local_day(datetime.fromisoformat(last["performed_at"]), facts.dealer),
            season_start=facts.dealer.season_start,
            here=place.installed_on,
        )
        answer["expected"] = expected_numbers(
            last, tolerance_of(sensor.model, rule, last["load_unit"])
        )
    return answer


def _moment(flag: DriftFlag) -> datetime:
    """Return when what it is about was measured; when it was opened, where nothing was."""
    record = flag.calibration or flag.functional_test
    return record.performed_at if record else flag.opened_at


def _flag(flag: DriftFlag, dealer: Dealer) -> dict[str, Any]:
    return {
        "id": flag.pk,
        "kind": flag.kind,
        "level": flag.level,
        "status": flag.status,
        "on": local_day(_moment(flag), dealer),
        "says": flag_words(flag.kind, flag.magnitude, flag.tolerance),
        "likely": flag.causes[0] if flag.causes else None,
    }
