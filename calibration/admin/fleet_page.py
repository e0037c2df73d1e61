"""The fleet at a glance: seasons by sensors; lots and sensor models; how long a model lasts."""

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

from django.db.models import Q
from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone

from calibration import charts, fleetwide
from calibration.admin import wording
from calibration.admin.sensor_page import svg
from calibration.fleetwide import glance
from calibration.models import Judgement, Verdict
from calibration.readout import deciding
from fleet.admin.door import scope_in
from fleet.models import Dealer, SensorModel

ORDERS = {"weight": "heaviest first", "serial": "by serial", "lot": "by model and lot"}
VERDICTS = (Verdict.BEYOND, Verdict.WATCH, Verdict.WITHIN)
BAR = 140.0  # the length of a season's bar, in the units of its picture
LAST = "due__last_calibration__judgement__verdict"


def fleet_page(request: HttpRequest) -> dict[str, Any]:
    """Return what the fleet page shows; a fixed number of queries, whatever the fleet's size."""
    scope, asked = scope_in(request), request.GET
    dealers = list(Dealer.objects.visible_to(scope)[:200])
    models = list(SensorModel.objects.visible_to(scope)[:200])
    order = asked.get("order", "weight") if asked.get("order") in ORDERS else "weight"
    found = glance.glance(
        scope=scope,
        chosen=_chosen(asked),
        order=order,
        number=int(asked["page"]) if _is_number(asked.get("page", "")) else 1,
    )
    return {
        "title": "Fleet at a glance",
        "found": found,
        "bars": _bars(found.seasons),
        "rows": [_row(found, sensor) for sensor in found.sensors],
        "dealers": dealers if len(dealers) > 1 else [],
        "models": models,
        "orders": ORDERS,
        "verdicts": [str(verdict) for verdict in VERDICTS],
        "asked": {name: asked.get(name, "") for name in ("dealer", "model", "lot", "verdict")},
        "order": order,
        "before": _page(asked, found.number - 1) if found.number > 1 else "",
        "after": _page(asked, found.number + 1) if found.number < found.pages else "",
    }


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 10


def _chosen(asked: Any) -> Q:
    """The condition that the page's form asks for; what it does not offer is left out."""
    chosen = Q()
    for name in ("dealer", "model"):
        if _is_number(asked.get(name, "")):
            chosen &= Q(**{name: int(asked[name])})
    if lot := asked.get("lot", "").strip()[:40]:
        chosen &= Q(lot__iexact=lot)
    if asked.get("verdict") in set(VERDICTS):
        chosen &= Q(**{LAST: asked["verdict"]})
    return chosen


def _page(asked: Any, number: int) -> str:
    kept = {name: value for name, value in asked.items() if name != "page" and value}
    return "?" + urlencode({**kept, "page": number})


def _bars(seasons: Any) -> list[dict[str, Any]]:
    return [
        {
            "season": season,
            "share": _share(season.beyond / season.total),
            "parts": list(_parts(season)),
        }
        for season in seasons
        if season.total
    ]


def _parts(season: glance.Season) -> Iterator[dict[str, Any]]:
    """Yield a season's bar, the worst first: each verdict's share as a piece of its length."""
    at = 0.0
    for verdict in ("beyond", "watch", "within"):
        length = BAR * getattr(season, verdict) / season.total
        if length:
            yield {"verdict": verdict, "at": f"{at:.2f}", "length": f"{length:.2f}"}
        at += length


def _row(found: glance.Glance, sensor: Any) -> dict[str, Any]:
    return {
        "sensor": sensor,
        "url": reverse("admin:fleet_sensor_change", args=[sensor.pk]),
        "weight": f"{sensor.weight:.1f}" if sensor.weight else "",
        "cells": [
            judged
            and {
                "season": season.year,
                "verdict": judged.verdict,
                "change": _deciding(judged, sensor.dealer.load_unit),
            }
            for season, judged in zip(found.seasons, found.row_of(sensor), strict=True)
        ],
    }


def _deciding(judged: Judgement, unit: str) -> str:
    """Return the change that a verdict rests on: of slope in %, of offset in a person's unit."""
    slope = deciding.heavier(judged) == "slope"
    said = wording.judged_slope(judged) if slope else wording.judged_offset(judged, unit)
    number, _, rest = said.partition(" ±")
    return f"{number} {rest.rpartition(' ')[2]}" if rest else number


# ── lots and models ───────────────────────────────────────────────────────────
def lots_page(request: HttpRequest) -> dict[str, Any]:
    """Return every sensor model with its share out of tolerance and interval, and every lot."""
    scope, now = scope_in(request), timezone.now()
    lots = sorted(
        fleetwide.lots(scope=scope), key=lambda row: (not row["stands_out"], -row["share"])
    )
    lasting = fleetwide.reliability_of_all(scope=scope, now=now)
    return {
        "title": "Lots and sensor models",
        "lots": [_lot(row) for row in lots],
        "models": [_model(row) for row in lasting],
    }


def _lot(row: dict[str, Any]) -> dict[str, Any]:
    tested = row["q_value"] is not None
    where = urlencode({"model": row["sensor_model"], "lot": row["lot"]})
    return row | {
        "url": f"{reverse('admin:fleet_sensor_glance')}?{where}",
        "share": _share(row["share"]),
        "between": f"{_share(row['low'])} to {_share(row['high'])}",
        "siblings": _share(row["siblings_share"]) if tested else "no siblings",
        "chance": wording.percent(row["q_value"]) if tested else "",
    }


def _share(value: float) -> str:
    return f"{100.0 * value:.1f} %"


def _model(row: dict[str, Any]) -> dict[str, Any]:
    share = row["out"] / row["observations"] if row["observations"] else None
    return row | {
        "url": reverse("admin:fleet_sensormodel_change", args=[row["sensor_model"]]),
        "share": "" if share is None else _share(share),
        "interval": f"{row['interval_days']:.0f} days",
        "rests": "default" if row["basis"] == "default" else f"{row['basis']} law",
    }


def model_page(model: SensorModel, request: HttpRequest) -> dict[str, Any]:
    """Return how long the sensors of a model stay in tolerance: curve, interval, table."""
    found = fleetwide.reliability(model, scope=scope_in(request), now=timezone.now())
    curve = [
        charts.Share(row["days"], row["probability"], row["low"], row["high"])
        for row in found["curve"]
    ]
    title = f"In-tolerance probability of {model.name} after a calibration"
    plot = charts.curve_plot(
        curve, target=found["target"], day=found["interval_days"], title=title
    )
    return {
        "found": found,
        "plot": svg(plot),
        "curve": [
            {
                "days": f"{row['days']:.0f}",
                "probability": _share(row["probability"]),
                "between": f"{_share(row['low'])} to {_share(row['high'])}",
            }
            for row in found["curve"]
        ],
        "lots_url": reverse("admin:fleet_sensormodel_lots"),
    }
