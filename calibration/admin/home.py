"""The first page: what needs a decision today, for the person who looks at it."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.db import models
from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import ngettext

from calibration import due
from calibration.admin import wording
from calibration.admin.flag_rows import by_sensor
from calibration.admin.visit_lines import visit_line
from calibration.admin.weights import by_weight
from calibration.models import Calibration, DriftFlag, ReferenceStandard, SeasonPlan, Visit
from fleet import access
from fleet.admin.door import scope_in
from fleet.models import Customer, Dealer, Installation, Machine, Sensor, SensorModel
from fleet.scope import Scope

MOST = 12
WEEK, SOON = timedelta(days=7), timedelta(days=60)


def home(request: HttpRequest) -> dict[str, Any]:
    """Return what the first page shows to this person."""
    scope, now = scope_in(request), timezone.now()
    if not Sensor.objects.visible_to(scope).exists():
        return {"first_steps": first_steps(scope)}
    totals = flag_totals(scope)
    shown: dict[str, Any] = {
        "flags": open_flags(scope),
        "one_dealer": scope.at_one_dealer,
        "flag_totals": totals,
        "flag_parts": flag_parts(totals),
    }
    if access.may(scope, "read", "reminders"):
        shown |= {
            "machines": machines_due(scope, now),
            "season_url": season_url(scope),
            "visits": visits_soon(scope, now),
        }
    shown["references"] = references_ending(scope, now)
    shown["may_record"] = access.may(scope, "create", "calibrations")
    return shown


def open_flags(scope: Scope) -> list[dict[str, Any]]:
    """Return the sensors with the worst flags that nobody has decided on, each with all of its."""
    rows = by_weight(DriftFlag.objects.visible_to(scope).filter(status=DriftFlag.Status.OPEN))
    worst = (
        rows.order_by()
        .values("sensor")
        .annotate(worst=models.Min("level"), heaviest=models.Max("weight"))
        .order_by("worst", models.F("heaviest").desc(nulls_last=True), "-sensor")
    )
    return by_sensor(rows.filter(sensor__in=worst.values_list("sensor")[:MOST]), scope)


def flag_totals(scope: Scope) -> dict[str, int]:
    """Return how many sensors are open at each level, what else is open, how much the caller has.

    A sensor counts once, at its worst. One that is only overdue, or speaks for its lot or for a
    reference, has left no tolerance: such flags are counted by their own names.
    """
    unseen = models.Q(status=DriftFlag.Status.OPEN)
    apart = [str(kind) for kind in DriftFlag.Kind if kind not in DriftFlag.MEASURED]
    measured = models.Min("level", filter=unseen & models.Q(kind__in=DriftFlag.MEASURED))
    rows = DriftFlag.objects.visible_to(scope).exclude(status=DriftFlag.Status.CLOSED)
    sensors = (
        rows.order_by()
        .values("sensor")
        .annotate(
            measured=measured,
            of_mine=models.Count("pk", filter=models.Q(assigned_to=scope.user_id)),
            **{
                f"of_{kind}": models.Count("pk", filter=unseen & models.Q(kind=kind))
                for kind in apart
            },
        )
    )
    totals: dict[str, int | None] = sensors.aggregate(
        **{
            str(level): models.Count("sensor", filter=models.Q(measured=level))
            for level in DriftFlag.Level
        },
        **{name: models.Sum(f"of_{name}") for name in (*apart, "mine")},
    )
    return {name: total or 0 for name, total in totals.items()}


def flag_parts(totals: Mapping[str, int]) -> list[dict[str, str]]:
    """Return what is open beside the sensors that were measured: how much, and where it stands."""
    words = {
        "overdue": ("{} overdue", "{} overdue"),
        "lot": ("{} lot that stands out", "{} lots that stand out"),
        "reference": ("{} reference that moved", "{} references that moved"),
    }
    flags = reverse("admin:calibration_driftflag_changelist")
    return [
        {
            "words": ngettext(*said, totals[kind]).format(totals[kind]),
            "url": f"{flags}?{urlencode({'status': 'open', 'kind__exact': kind})}",
        }
        for kind, said in words.items()
        if totals[kind]
    ]


def season_url(scope: Scope) -> str:
    """Return where it is said how far the season is: the plan itself, where there is one only."""
    plans = list(SeasonPlan.objects.visible_to(scope).order_by().values_list("pk", flat=True)[:2])
    if len(plans) == 1:
        return reverse("admin:calibration_seasonplan_change", args=plans)
    return reverse("admin:calibration_seasonplan_changelist")


def machines_due(scope: Scope, now: datetime) -> dict[str, Any]:
    """Return the machines that must be visited before their season, the earliest first."""
    installed = Installation.objects.visible_to(scope)
    needs = sorted(due.due_machines(installed, now=now).values(), key=lambda need: need.due_on)
    first = needs[:MOST]
    rows = Machine.objects.visible_to(scope).select_related("customer__dealer")
    machines = rows.in_bulk([need.machine_id for need in first])
    return {
        "total": len(needs),
        "overdue": sum(need.late for need in needs),
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
        "late": need.late,
        "season": wording.days_until(window.starts_on, window.today),
    }


def visits_soon(scope: Scope, now: datetime) -> list[dict[str, Any]]:
    """Return the visits of the coming week, and those that should have been made."""
    rows = Visit.objects.visible_to(scope).filter(
        status__in=Visit.TO_BE_MADE, planned_on__lte=_latest_day(now) + WEEK
    )
    chosen = rows.select_related("customer__dealer", "technician").order_by("planned_on", "pk")
    lines = [(row, _today(row.customer.dealer, now)) for row in chosen[: 2 * MOST]]
    coming = [each for each in lines if each[0].planned_on <= each[1] + WEEK]
    return [visit_line(row, today) for row, today in coming[:MOST]]


def _today(dealer: Dealer, now: datetime) -> date:
    return now.astimezone(dealer.zone).date()


def _latest_day(now: datetime) -> date:
    """The latest day that it is anywhere on Earth: what is soon where, is asked of each row."""
    return (now + timedelta(hours=14)).date()


def references_ending(scope: Scope, now: datetime) -> list[dict[str, Any]]:
    """Return the references whose certificates end soon, or have ended."""
    rows = ReferenceStandard.objects.visible_to(scope).filter(
        valid_until__lte=_latest_day(now) + SOON
    )
    chosen = rows.select_related("dealer").order_by("valid_until", "pk")[: 2 * MOST]
    lines = [_ending_row(row, _today(row.dealer, now)) for row in chosen]
    return [line for line in lines if line["soon"]][:MOST]


def _ending_row(row: ReferenceStandard, today: date) -> dict[str, Any]:
    return {
        "row": row,
        "url": reverse("admin:calibration_referencestandard_change", args=[row.pk]),
        "away": wording.days_until(row.valid_until, today) if row.valid_until else "",
        "late": bool(row.valid_until and row.valid_until < today),
        "soon": bool(row.valid_until and row.valid_until <= today + SOON),
    }


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
