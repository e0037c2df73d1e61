"""The visit sheet: one customer's machines, last season's numbers, what to expect, what to do."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from operator import itemgetter
from typing import Any

from django.db.models.functions import Coalesce

from calibration import readout
from calibration.documents.expected import Tolerance
from calibration.documents.flag_words import flag_words
from calibration.documents.places import Place, places_of
from calibration.documents.procedure import CAUTIONS, STEPS
from calibration.documents.visit_numbers import BASIS, expected_numbers, last_numbers, tag_numbers
from calibration.documents.wording import DUE_BECAUSE, dealer_facts, local_day, natural
from calibration.models import DriftFlag
from calibration.policies import Rule, Rulebook
from fleet import seasons, units
from fleet.errors import NotFound
from fleet.models import Customer, Dealer, Machine
from fleet.scope import Scope

FAR = date.max


@dataclass(frozen=True)
class _Facts:
    """Everything that the sheet needs, read at once; keyed by sensor."""

    dealer: Dealer
    today: date
    last: Mapping[int, dict[str, Any]]
    believed: Mapping[int, dict[str, Any]]
    book: Rulebook
    flags: Mapping[int, list[dict[str, Any]]]


def visit_sheets_data(
    customers: Sequence[Customer], *, scope: Scope, now: datetime
) -> list[dict[str, Any]]:
    """Return the visit sheets of several customers, in the order given."""
    return [visit_sheet_data(customer, scope=scope, now=now) for customer in customers]


def visit_sheet_data(customer: Customer, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return the visit sheet of one customer as JSON values.

    The number of queries does not depend on how many machines and sensors there are.
    """
    row = (
        Customer.objects.visible_to(scope).select_related("dealer").filter(pk=customer.pk).first()
    )
    if row is None:
        raise NotFound("There is no such customer.")
    machines = list(Machine.objects.visible_to(scope).filter(customer=row).select_related("model"))
    installed = places_of(scope, machine__customer=row)
    facts = _read(row.dealer, [place.sensor_id for place in installed], scope, now)
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


def _read(dealer: Dealer, sensor_ids: Sequence[int], scope: Scope, now: datetime) -> _Facts:
    last, believed = readout.last_and_believed(sensor_ids)
    return _Facts(
        dealer=dealer,
        today=now.astimezone(dealer.zone).date(),
        last=last,
        believed=believed,
        book=Rulebook(),
        flags=_flags(sensor_ids, scope, dealer),
    )


def _machines(
    machines: Iterable[Machine], installed: Iterable[Place], facts: _Facts
) -> list[dict[str, Any]]:
    places = defaultdict(list)
    for place in installed:
        places[place.machine_id].append(place)
    sheets = [_machine(machine, places[machine.pk], facts) for machine in machines]
    return sorted(sheets, key=lambda one: (one["due_on"] or FAR.isoformat(), one["serial"]))


def _machine(machine: Machine, places: list[Place], facts: _Facts) -> dict[str, Any]:
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


def _position(place: Place, facts: _Facts) -> dict[str, Any]:
    due_on = place.due_on.isoformat() if place.due_on else None
    answer: dict[str, Any] = {
        "position": place.position,
        "installed_on": place.installed_on.isoformat(),
        "sensor": {
            "id": place.sensor_id,
            "serial": place.serial,
            "model": place.model_name,
            "lot": place.lot,
            "tag": tag_numbers(place, place.reading_unit),
        },
        "due_on": due_on,
        "due": _standing(due_on, facts),
        "due_because": DUE_BECAUSE[place.decided_by] if place.decided_by else "",
        "last": None,
        "expected": None,
        "flags": facts.flags.get(place.sensor_id, []),
    }
    last, believed = facts.last.get(place.sensor_id), facts.believed.get(place.sensor_id)
    day = _day_of(last, facts) if last else ""
    if last is not None:
        answer["last"] = last_numbers(
            last, day=day, season_start=facts.dealer.season_start, here=place.installed_on
        )
    if believed is not None:
        rule = facts.book.rule(place.model_id, place.dealer_id)
        tolerance = _tolerance(place, rule, believed["load_unit"])
        day = day if believed is last else _day_of(believed, facts)
        answer["expected"] = expected_numbers(believed, tolerance, day=day)
    return answer


def _day_of(numbers: Mapping[str, Any], facts: _Facts) -> str:
    return local_day(datetime.fromisoformat(numbers["performed_at"]), facts.dealer)


def _tolerance(place: Place, rule: Rule, load_unit: str) -> Tolerance:
    rated = place.rated_load * units.LOAD[place.rated_unit] / units.LOAD[load_unit]
    return Tolerance(
        slope=rule.slope_tolerance_pct / 100.0, offset=rule.offset_tolerance_pct / 100.0 * rated
    )


def _flags(
    sensor_ids: Sequence[int], scope: Scope, dealer: Dealer
) -> dict[int, list[dict[str, Any]]]:
    """Return what stands open of each sensor, what was measured last first."""
    rows = (
        DriftFlag.objects.visible_to(scope)
        .filter(sensor_id__among=sensor_ids)
        .exclude(status=DriftFlag.Status.CLOSED)
        # When what it is about was measured; when it was opened, where nothing was.
        .annotate(
            moment=Coalesce(
                "calibration__performed_at", "functional_test__performed_at", "opened_at"
            )
        )
        .order_by()
        .values_list(
            "moment",
            "pk",
            "sensor_id",
            "kind",
            "level",
            "status",
            "magnitude",
            "tolerance",
            "causes",
        )
    )
    found = defaultdict(list)
    for moment, key, sensor, kind, level, status, magnitude, tolerance, causes in sorted(
        rows, key=itemgetter(0, 1), reverse=True
    ):
        found[sensor].append(
            {
                "id": key,
                "kind": kind,
                "level": level,
                "status": status,
                "on": local_day(moment, dealer),
                "says": flag_words(kind, magnitude, tolerance),
                "likely": causes[0] if causes else None,
            }
        )
    return found
