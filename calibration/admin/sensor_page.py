"""What the sensor page and the machine page show: rows and answers to a template's words."""

from collections.abc import Sequence
from datetime import datetime, tzinfo
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet
from django.urls import reverse
from django.utils.safestring import mark_safe

from calibration import readout
from calibration.admin import plots, wording
from calibration.documents.latest import latest_answers
from calibration.documents.procedure import CAUTIONS
from calibration.documents.wording import natural
from calibration.models import IN_TIME, Calibration, DriftFlag, DueState, FunctionalTest
from calibration.readout.phrases import typed
from fleet.models import Installation, Machine, Sensor
from fleet.scope import Scope


def svg(text: str) -> str:
    """Mark a plot as markup: `charts` escapes every word in it."""
    # Made by charts, which escapes every word.
    return mark_safe(text)  # noqa: S308 # nosec B308 B703


def history_row(answer: wording.Answer, zone: tzinfo) -> dict[str, Any]:
    """Return one line of the table that says what the plots show."""
    slope_change, offset_change = wording.changes_of(answer, "against_expected")
    return {
        "url": reverse("admin:calibration_calibration_change", args=[answer["id"]]),
        "day": wording.local_day(answer["performed_at"], zone),
        "season": answer["season"],
        "reason": wording.reason_of(answer),
        "where": _where(answer),
        "slope": wording.slope_of(answer),
        "offset": wording.offset_of(answer),
        "slope_change": slope_change,
        "offset_change": offset_change,
        "verdict": answer["verdict"],
        "superseded": bool(answer["superseded_by"]),
    }


def _where(answer: wording.Answer) -> str:
    return ", ".join(part for part in (answer["machine_serial"], answer["position"]) if part)


def sensor_page(sensor: Sensor, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return everything that the sensor page shows; a fixed number of queries."""
    zone = sensor.dealer.zone
    rows = Calibration.objects.visible_to(scope).filter(sensor=sensor)
    answers = readout.answers(rows.order_by(*IN_TIME), scope)
    places = list(
        Installation.objects.visible_to(scope)
        .filter(sensor=sensor)
        .select_related("machine__customer")
        .order_by("installed_on", "pk")
    )
    life = plots.Life(answers, places, sensor.dealer.load_unit, sensor.model.reading_unit, zone)
    valid = [answer for answer in answers if not answer["superseded_by"]]
    last = valid[-1] if valid else None
    here = next((place for place in places if place.removed_on is None), None)
    return {
        "sensor": sensor,
        "rated": typed(sensor.model.rated_load),
        "here": here,
        "life_line": _life_line(places, scope),
        "plots": [{**plot, "svg": svg(plot["svg"])} for plot in plots.history(life)],
        "history": [history_row(answer, zone) for answer in reversed(answers)],
        **_now(last, here, places, zone),
        "due": _due(sensor, scope),
        "today": now.astimezone(zone).date(),
        "flags": open_flags(sensor, scope),
        "tests": _tests(sensor, scope, zone),
        "cautions": CAUTIONS,
    }


def _now(
    last: wording.Answer | None,
    here: Installation | None,
    places: Sequence[Installation],
    zone: tzinfo,
) -> dict[str, Any]:
    """Return the last numbers, and whether they are from before the sensor came where it is."""
    if last is None:
        return {"last": None, "past": False}
    past = here is None or before(last, here, zone)
    facts = last_facts(last, zone)
    if past:  # a forecast for a place that it has left is none
        facts["outlook"] = ""
    left = [place.removed_on for place in places if place.removed_on]
    return {"last": facts, "past": past, "left_on": max(left, default=None)}


def before(answer: wording.Answer, place: Installation, zone: tzinfo) -> bool:
    """Whether a calibration was made before the sensor was put on where it sits."""
    return wording.local_day(answer["performed_at"], zone) < place.installed_on.isoformat()


def _due(sensor: Sensor, scope: Scope) -> DueState | None:
    """Return the sensor's due day to those who plan for it."""
    planning = scope.administers or sensor.dealer_id in scope.dealers
    due = getattr(sensor, "due", None) if planning else None
    return due if isinstance(due, DueState) else None


def last_facts(answer: wording.Answer, zone: tzinfo) -> dict[str, Any]:
    """Return what a page says about one calibration."""
    points = plots.points(answer)
    first = wording.changes_of(answer, "against_first")
    return {
        "answer": answer,
        "url": reverse("admin:calibration_calibration_change", args=[answer["id"]]),
        "when": wording.local_time(answer["performed_at"], zone),
        "day": wording.local_day(answer["performed_at"], zone),
        "sentence": wording.sentence(answer, zone),
        "outlook": wording.outlook(answer),
        "reason": wording.reason_of(answer),
        "where": _where(answer),
        "slope": wording.slope_of(answer),
        "offset": wording.offset_of(answer),
        "changes": wording.changes_of(answer),
        "since_first": first if first[0] else None,
        "first_day": wording.local_day(answer["against_first"].get("performed_at"), zone),
        "probability": wording.probability(answer),
        "because": wording.because(answer, zone),
        "points": wording.points_of(answer),
        "plot": svg(points),
        "setpoints": wording.setpoints_of(answer),
        "causes": wording.causes_of(answer["causes"]),
        "doubt": readout.doubt_in(answer),
        "temperature": typed(answer["conditions"]["temperature_c"]),
        "pressure": typed(answer["conditions"]["hydraulic_pressure"]),
        "measured": DriftFlag.MEASURED,
    }


def _life_line(places: Sequence[Installation], scope: Scope) -> list[dict[str, Any]]:
    """Return where it sat, the newest first; a link to the machines that the reader may see."""
    return [
        {
            "place": place,
            "url": reverse("admin:fleet_machine_change", args=[place.machine_id])
            if scope.everywhere or place.machine.customer.dealer_id in scope.dealers
            else "",
        }
        for place in reversed(places)
    ]


def open_flags(sensor: Sensor, scope: Scope) -> list[dict[str, Any]]:
    """Return what is not closed about a sensor, the worst first, with its days at the dealer."""
    zone = sensor.dealer.zone
    rows = _open_flags(scope).filter(sensor=sensor)
    rows = rows.select_related("calibration", "functional_test")
    return [
        {
            "row": row,
            "opened": wording.local_day(row.opened_at, zone),
            "measured": wording.local_day(
                getattr(row.calibration or row.functional_test, "performed_at", None), zone
            ),
        }
        for row in rows.order_by("level", "-opened_at", "-pk")
    ]


def _open_flags(scope: Scope) -> QuerySet[DriftFlag]:
    rows: QuerySet[DriftFlag] = DriftFlag.objects.visible_to(scope)
    return rows.exclude(status=DriftFlag.Status.CLOSED)


def _tests(sensor: Sensor, scope: Scope, zone: tzinfo) -> list[dict[str, Any]]:
    rows = FunctionalTest.objects.visible_to(scope).filter(sensor=sensor)
    rows = rows.select_related("outcome", "superseded_by").order_by("-performed_at", "-pk")
    return [
        {
            "url": reverse("admin:calibration_functionaltest_change", args=[row.pk]),
            "day": wording.local_day(row.performed_at, zone),
            "where": f"{row.machine_serial}, {row.position}",
            "verdict": row.outcome.verdict if hasattr(row, "outcome") else "",
            "replaced": hasattr(row, "superseded_by"),
            "worst": wording.worst_error(
                row.outcome.worst_error_pct if hasattr(row, "outcome") else None
            ),
        }
        for row in rows[:20]
    ]


def _card(answer: wording.Answer | None, place: Installation, zone: tzinfo) -> dict[str, Any]:
    """Return the numbers for the console; none from before the sensor came here."""
    if answer is None or not answer["fit"] or before(answer, place, zone):
        return {}
    day = wording.local_day(answer["performed_at"], zone)
    fit, load, reading = answer["fit"], answer["load_unit"], answer["reading_unit"]
    return {
        "slope": f"{readout.rounded(fit['slope'], fit['u_slope'])} {reading}/{load}",
        "offset": f"{readout.rounded(fit['offset'], fit['u_offset'])} {reading}",
        "day": day,
        "doubt": readout.doubt_in(answer),
    }


def machine_page(machine: Machine, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return a machine's positions, each with its sensor's last numbers, state and due day."""
    zone = machine.customer.dealer.zone
    places = list(
        Installation.objects.visible_to(scope)
        .filter(machine=machine, removed_on__isnull=True)
        .select_related("sensor__model", "sensor__due")
        .annotate(flagged=Exists(_open_flags(scope).filter(sensor=OuterRef("sensor"))))
    )
    latest = latest_answers([place.sensor_id for place in places], scope)
    due_shown = scope.administers or machine.customer.dealer_id in scope.dealers
    positions = []
    for place in sorted(places, key=lambda row: natural(row.position)):
        answer = latest.get(place.sensor_id)
        due = getattr(place.sensor, "due", None) if due_shown else None
        positions.append(
            {
                "place": place,
                "url": reverse("admin:fleet_sensor_change", args=[place.sensor_id]),
                "last": answer and history_row(answer, zone),
                "card": _card(answer, place, zone),
                "past": answer is not None and before(answer, place, zone),
                "flagged": getattr(place, "flagged", False),
                "due": due,
            }
        )
    return {
        "machine": machine,
        "positions": positions,
        "today": now.astimezone(zone).date(),
        "due_shown": due_shown,
        "cautions": CAUTIONS,
    }
