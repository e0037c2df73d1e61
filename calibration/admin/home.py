"""The first page: what needs a decision today, for the person who looks at it."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.db import models
from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone

from calibration import due
from calibration.admin import wording
from calibration.admin.weights import WORST_FIRST, by_weight, magnitude
from calibration.models import Calibration, DriftFlag, ReferenceStandard, Visit
from fleet import access
from fleet.admin.door import scope_in
from fleet.models import Customer, Dealer, Installation, Machine, Sensor, SensorModel
from fleet.scope import Scope

MOST = 12
SOON = timedelta(days=60)
_LEVELS = DriftFlag.Level.values


def home(request: HttpRequest) -> dict[str, Any]:
    """Return what the first page shows to this person."""
    scope, now = scope_in(request), timezone.now()
    if not Sensor.objects.visible_to(scope).exists():
        return {"first_steps": first_steps(scope)}
    shown: dict[str, Any] = {"flags": open_flags(scope), "flag_totals": flag_totals(scope)}
    if access.may(scope, "read", "reminders"):
        shown |= {"machines": machines_due(scope, now), "visits": visits_soon(scope, now)}
    shown["references"] = references_ending(scope, now)
    shown["may_record"] = access.may(scope, "create", "calibrations")
    return shown


def open_flags(scope: Scope) -> list[dict[str, Any]]:
    """Return the worst flags that nobody has decided on."""
    rows = by_weight(DriftFlag.objects.visible_to(scope).filter(status=DriftFlag.Status.OPEN))
    worst = rows.select_related("sensor__model", "sensor__dealer").order_by(*WORST_FIRST)
    return [
        {
            "row": row,
            "url": reverse("admin:calibration_driftflag_change", args=[row.pk]),
            "sensor_url": reverse("admin:fleet_sensor_change", args=[row.sensor_id]),
            "size": magnitude(row),
            "cause": next((c["name"] for c in wording.causes_of(row.causes[:1])), ""),
        }
        for row in worst[:MOST]
    ]


def flag_totals(scope: Scope) -> dict[str, int]:
    """Return how many open flags there are of each level, and how many the caller sees to."""
    unseen = models.Q(status=DriftFlag.Status.OPEN)
    rows = DriftFlag.objects.visible_to(scope).exclude(status=DriftFlag.Status.CLOSED)
    totals: dict[str, int] = rows.aggregate(
        **{
            str(level): models.Count("pk", filter=unseen & models.Q(level=level))
            for level in _LEVELS
        },
        mine=models.Count("pk", filter=models.Q(assigned_to=scope.user_id)),
    )
    return totals


def machines_due(scope: Scope, now: datetime) -> dict[str, Any]:
    """Return the machines that must be visited before their season, the earliest first."""
    installed = Installation.objects.visible_to(scope)
    needs = sorted(due.due_machines(installed, now=now).values(), key=lambda need: need.due_on)
    first = needs[:MOST]
    rows = Machine.objects.visible_to(scope).select_related("customer__dealer")
    machines = rows.in_bulk([need.machine_id for need in first])
    today = now.date()
    return {
        "total": len(needs),
        "overdue": sum(need.due_on < today for need in needs),
        "first": [
            _due_row(machines[need.machine_id], need, now)
            for need in first
            if need.machine_id in machines
        ],
    }


def _due_row(machine: Machine, need: due.Need, now: datetime) -> dict[str, Any]:
    dealer = machine.customer.dealer
    window = due.window(
        now,
        timezone=dealer.timezone,
        season_start=dealer.season_start,
        lead_days=dealer.reminder_lead_days,
    )
    return {
        "machine": machine,
        "url": reverse("admin:fleet_machine_change", args=[machine.pk]),
        "sensors": need.sensors,
        "due_on": need.due_on,
        "away": wording.days_until(need.due_on, window.today),
        "late": need.due_on < window.today,
        "season": wording.days_until(window.starts_on, window.today),
    }


def visits_soon(scope: Scope, now: datetime) -> list[dict[str, Any]]:
    """Return the visits of the coming week, and those that should have been made."""
    today = now.date()
    rows = Visit.objects.visible_to(scope).filter(
        status__in=Visit.TO_BE_MADE,
        planned_on__lte=today + timedelta(days=7),
    )
    chosen = rows.select_related("customer__dealer", "technician").order_by("planned_on", "pk")
    return [
        {
            "row": row,
            "url": reverse("admin:calibration_visit_change", args=[row.pk]),
            "away": wording.days_until(row.planned_on, _today(row.customer.dealer, now)),
            "late": row.planned_on < today,
        }
        for row in chosen[:MOST]
    ]


def _today(dealer: Dealer, now: datetime) -> date:
    return now.astimezone(dealer.zone).date()


def references_ending(scope: Scope, now: datetime) -> list[dict[str, Any]]:
    """Return the references whose certificates end soon, or have ended."""
    today = now.date()
    rows = ReferenceStandard.objects.visible_to(scope).filter(valid_until__lte=today + SOON)
    return [
        {
            "row": row,
            "url": reverse("admin:calibration_referencestandard_change", args=[row.pk]),
            "away": wording.days_until(row.valid_until, today) if row.valid_until else "",
            "late": bool(row.valid_until and row.valid_until < today),
        }
        for row in rows.select_related("dealer").order_by("valid_until", "pk")[:MOST]
    ]


def first_steps(scope: Scope) -> list[dict[str, Any]]:
    """Return what to do first in an empty register: each step, whether it is done, its page."""
    steps: Sequence[tuple[str, type[Any], str, str]] = (
        ("Enter a dealer: its calendar and its units", Dealer, "dealers", "fleet_dealer"),
        ("Enter the sensor models in use", SensorModel, "sensor-models", "fleet_sensormodel"),
        ("Enter a customer", Customer, "customers", "fleet_customer"),
        ("Enter the customer's machine", Machine, "machines", "fleet_machine"),
        ("Enter a sensor by its serial", Sensor, "sensors", "fleet_sensor"),
        ("Install it on the machine", Installation, "installations", "fleet_installation"),
        ("Record its calibration", Calibration, "calibrations", "calibration_calibration"),
    )
    return [
        {
            "words": words,
            "done": model.objects.visible_to(scope).exists(),
            "url": reverse(f"admin:{page}_add") if access.may(scope, "create", right) else "",
        }
        for words, model, right, page in steps
    ]
