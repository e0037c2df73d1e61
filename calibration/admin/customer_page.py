"""What a visit's page and a customer's page show: who, when, which machines, what stands open."""

from datetime import date, datetime
from typing import Any

from django.db.models import Exists, Min, OuterRef, QuerySet, Subquery

from calibration.admin import wording
from calibration.admin.flag_rows import by_sensor
from calibration.admin.visit_lines import visit_line
from calibration.admin.weights import by_weight
from calibration.documents.procedure import CAUTIONS
from calibration.models import DriftFlag, Visit
from fleet import access
from fleet.models import Customer, Installation, Machine
from fleet.scope import Scope

MOST_VISITS = 10


def with_worst(rows: QuerySet[Any], machine: str = "pk") -> QuerySet[Any]:
    """Return rows, each with whether flags are open on its machine, by their level."""
    flags = DriftFlag.objects.filter(
        sensor__installations__machine=OuterRef(machine),
        sensor__installations__removed_on__isnull=True,
    ).exclude(status=DriftFlag.Status.CLOSED)
    measured = flags.filter(kind__in=DriftFlag.MEASURED)
    told: QuerySet[Any] = rows.annotate(
        has_beyond=Exists(measured.filter(level=DriftFlag.Level.BEYOND)),
        has_watch=Exists(measured.filter(level=DriftFlag.Level.WATCH)),
    )
    return told


def worst_of(row: Any) -> str:
    """Return the level of the worst of the flags that `with_worst` found."""
    return "beyond" if row.has_beyond else "watch" if row.has_watch else ""


def visit_page(visit: Visit, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return what whoever drives there has to know; a fixed number of queries."""
    zone = visit.customer.dealer.zone
    today = now.astimezone(zone).date()
    lines = with_worst(visit.lines.select_related("machine__model"), "machine")
    return {
        "visit": visit,
        "customer": visit.customer,
        "contact": scope.sees_contacts_of(visit.customer.dealer_id),
        "away": wording.days_until(visit.planned_on, today),
        "late": visit.status in Visit.TO_BE_MADE and visit.planned_on < today,
        "hours": f"{visit.minutes / 60:.1f} h" if visit.minutes else "",
        "machines": [
            {
                "line": line,
                "machine": line.machine,
                "late": not line.done and line.due_on < today,
                "worst": worst_of(line),
                "done_on": wording.local_day(line.done_at, zone),
            }
            for line in lines
        ],
        "cautions": CAUTIONS,
    }


def customer_page(customer: Customer, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return a customer's machines, visits and open flags; a fixed number of queries."""
    today = now.astimezone(customer.dealer.zone).date()
    planning = access.may(scope, "read", "visits", customer.dealer_id)
    machines = list(_machines(customer, scope))
    return {
        "customer": customer,
        "contact": scope.sees_contacts_of(customer.dealer_id),
        "machines": [
            {"row": row, "worst": worst_of(row), "late": bool(row.due_on and row.due_on < today)}
            for row in machines
        ],
        "planning": planning,
        "due_on": min((row.due_on for row in machines if row.due_on), default=None),
        "today": today,
        "visits": _visits(customer, scope, today) if planning else [],
        "flags": _flags(customer, scope),
    }


def _machines(customer: Customer, scope: Scope) -> QuerySet[Any]:
    here = Installation.objects.filter(machine=OuterRef("pk"), removed_on__isnull=True).order_by()
    due = here.values("machine").annotate(first=Min("sensor__due__due_on")).values("first")
    rows = Machine.objects.visible_to(scope).filter(customer=customer).select_related("model")
    return with_worst(rows.annotate(due_on=Subquery(due)))


def _visits(customer: Customer, scope: Scope, today: date) -> list[dict[str, Any]]:
    """Return the last visits and those to come, the latest day first."""
    rows = Visit.objects.visible_to(scope).filter(customer=customer).select_related("technician")
    return [visit_line(row, today) for row in rows.order_by("-planned_on", "pk")[:MOST_VISITS]]


def _flags(customer: Customer, scope: Scope) -> list[dict[str, Any]]:
    seated = Installation.objects.filter(machine__customer=customer, removed_on__isnull=True)
    rows = DriftFlag.objects.visible_to(scope).filter(sensor__in=seated.values("sensor"))
    return by_sensor(by_weight(rows.exclude(status=DriftFlag.Status.CLOSED)), scope)
