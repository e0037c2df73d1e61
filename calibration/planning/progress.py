"""How far a season's work is: ready by the day it starts, planned against done by week."""

from collections import Counter
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Count, Q, Sum

from calibration.due import Window, window_of
from calibration.models import SeasonPlan, Visit, VisitLine
from fleet.models import Dealer, Installation
from fleet.scope import Scope


def readiness(
    *, scope: Scope, now: datetime, dealers: Iterable[int] | None = None
) -> list[dict[str, Any]]:
    """Return how far each dealer is with the season to come; some of them where they are named.

    A sensor is ready when it is not due before the season starts. The forecast adds the sensors
    whose visits are planned before that day: what will be ready if everything is done as planned.
    """
    rows = Dealer.objects.visible_to(scope).order_by("code")
    if dealers is not None:
        rows = rows.filter(pk__in=list(dealers))
    chosen = [row for row in rows if scope.administers or row.pk in scope.dealers]
    return [_of(dealer, window_of(dealer, now)) for dealer in chosen]


def _of(dealer: Dealer, window: Window) -> dict[str, Any]:
    start = window.starts_on
    seated = Installation.objects.filter(removed_on=None, machine__customer__dealer=dealer)
    due_before = Q(sensor__due__due_on__lt=start) | Q(sensor__due__isnull=True)
    found = seated.order_by().aggregate(
        sensors=Count("pk"),
        not_ready=Count("pk", filter=due_before),
        machines=Count("machine", distinct=True),
        waiting_machines=Count("machine", distinct=True, filter=due_before),
        overdue=Count("pk", filter=Q(sensor__due__due_on__lt=window.today)),
    )
    sensors, not_ready, machines = found["sensors"], found["not_ready"], found["machines"]
    coming = _coming(dealer, window)
    will_be = min(not_ready, coming["sensors"])
    plan = SeasonPlan.objects.filter(dealer=dealer).first()
    return {
        "dealer": dealer.pk,
        "dealer_code": dealer.code,
        "today": window.today.isoformat(),
        "season": start.year,
        "season_starts_on": start.isoformat(),
        "last_working_day": window.latest.isoformat(),
        "sensors": sensors,
        "sensors_ready": sensors - not_ready,
        "share_ready": _share(sensors - not_ready, sensors),
        "machines": machines,
        "machines_ready": machines - found["waiting_machines"],
        "overdue": found["overdue"],
        "sensors_planned": will_be,
        "sensors_not_planned": not_ready - will_be,
        "forecast_share_ready": _share(sensors - not_ready + will_be, sensors),
        "weeks": _weeks(dealer, window),
        "plan": _plan(plan),
    }


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _coming(dealer: Dealer, window: Window) -> Counter[str]:
    """Sensors on visits that are still to be made before the season starts."""
    lines = VisitLine.objects.filter(
        visit__customer__dealer=dealer,
        visit__status__in=Visit.TO_BE_MADE,
        visit__planned_on__gte=window.today,
        visit__planned_on__lt=window.starts_on,
        done=False,
    )
    found = lines.aggregate(sensors=Sum("sensors"), lines=Count("pk"))
    return Counter({name: value or 0 for name, value in found.items()})


def _weeks(dealer: Dealer, window: Window) -> list[dict[str, Any]]:
    """Machines planned and done, by the week (its Monday), and what that came to so far."""
    zone = dealer.zone
    begin = window.starts_on - timedelta(days=366)
    lines = VisitLine.objects.filter(visit__customer__dealer=dealer).exclude(
        visit__status=Visit.Status.CANCELLED
    )
    planned: Counter[date] = Counter()
    done: Counter[date] = Counter()
    recent = lines.filter(Q(visit__planned_on__gte=begin) | Q(done_at__date__gte=begin))
    for planned_on, done_at in recent.values_list("visit__planned_on", "done_at"):
        planned[_monday(planned_on)] += 1
        if done_at is not None:
            done[_monday(done_at.astimezone(zone).date())] += 1
    weeks = []
    sum_planned = sum_done = 0
    for week in sorted(planned.keys() | done.keys()):
        sum_planned += planned[week]
        sum_done += done[week]
        weeks.append(
            {
                "week": week.isoformat(),
                "machines_planned": planned[week],
                "machines_done": done[week],
                "planned_so_far": sum_planned,
                "done_so_far": sum_done,
            }
        )
    return weeks


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _plan(plan: SeasonPlan | None) -> dict[str, Any] | None:
    """How the last plan was made, and what it could not place."""
    if plan is None:
        return None
    return {
        "planned_at": plan.planned_at.isoformat(),
        "made_by": plan.made_by,
        "says": plan.says,
        "cost": plan.cost,
        "greedy_cost": plan.greedy_cost,
        "unplanned": plan.unplanned,
    }
