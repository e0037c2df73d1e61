"""What a calibration certificate says.

The list of what a report has to hold is that of ISO/IEC 17025:2017, 7.8.2.1 a) to p), 7.8.2.2,
7.8.4.1 a) to f), 7.8.6.2, 7.8.7 and 7.8.8 (from memory of the standard; by 7.8.4.3 it recommends
no interval). It is a dealer's report in that form, not an accredited laboratory's.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from calibration import readout
from calibration.documents import plots
from calibration.documents.wording import change, dealer_facts, local_day, local_minute, quantity
from calibration.models import Calibration, ReferenceStandard
from calibration.readout import deciding, ruling
from calibration.readout.phrases import chance, setpoint, typed
from calibration.rounding import rounded
from fleet.errors import NotFound
from fleet.models import Dealer
from fleet.scope import Scope

METHOD = (
    "A straight line, reading = offset + slope \u00d7 load, through the points below, by least "
    "squares weighted with the uncertainties of load and reading (D. York et al., Am. J. Phys. 72 "
    "(2004) 367). Loads set and readings taken in the order listed, cell in its place on the "
    "machine."
)
UNCERTAINTY = (
    "u is a standard uncertainty (JCGM 100:2008), U = k u an expanded one, which covers about "
    "95 %: k is 2, or where few degrees of freedom stand behind u, Student's t at the effective "
    "ones (JCGM 100, G.4). The reference's share is common to all points; it is part of the "
    "slope's u."
)


def certificate_data(
    calibration: Calibration, *, scope: Scope, now: datetime, link: str
) -> dict[str, Any]:
    """Return everything that the certificate of one calibration shows."""
    row = (
        Calibration.objects.visible_to(scope)
        .select_related(
            "dealer",
            "sensor__model",
            "installation__machine__model",
            "installation__machine__customer",
            "superseded_by",
        )
        .filter(pk=calibration.pk)
        .first()
    )
    if row is None:
        raise NotFound("There is no such calibration.")
    answer = readout.calibration_answer(row, scope)
    return {
        "issued_on": local_day(now, row.dealer),
        "issued_at": local_minute(now, row.dealer),
        "number": str(row.pk),
        "dealer": dealer_facts(row.dealer),
        "customer": _customer(row, scope),
        "item": _item(row),
        "performed_at": local_minute(row.performed_at, row.dealer),
        "recorded_at": local_minute(row.recorded_at, row.dealer),
        "technician": answer["technician"],
        "note": answer["note"],
        "reason": row.get_reason_display(),
        "stage": row.get_stage_display(),
        "superseded_by": _superseded_by(row, scope),
        "supersedes": str(row.supersedes_id or ""),
        "conditions": _conditions(row),
        "method": METHOD,
        "uncertainty": UNCERTAINTY,
        "reference": _reference(row, answer, scope),
        "results": results(answer),
        "plot": plots.points(answer),
        "conformity": _conformity(answer, row.dealer),
        "causes": causes(answer),
        "digest": row.digest,
        "content_digest": row.content_digest,
        "link": link,
    }


def _customer(row: Calibration, scope: Scope) -> str:
    """Return who owns the machine today, where the caller may know and it is still that dealer's.

    A machine that was resold to another dealer's customer has another owner than the one for
    whom this was measured: neither is named then.
    """
    if row.installation is None:
        return ""
    owner = row.installation.machine.customer
    same_dealer = owner.dealer_id == row.dealer_id
    return owner.name if same_dealer and scope.sees_contacts_of(owner.dealer_id) else ""


def _item(row: Calibration) -> dict[str, str]:
    machine = row.installation.machine if row.installation else None
    model = row.sensor.model
    return {
        "serial": row.sensor_serial,
        "model": model.name,
        "lot": row.sensor.lot,
        "rated": f"{typed(model.rated_load)} {model.load_unit}",
        "machine": row.machine_serial,
        "machine_model": machine.model.name if machine else "",
        "position": row.position,
    }


def _superseded_by(row: Calibration, scope: Scope) -> str:
    later = getattr(row, "superseded_by", None)
    if later is None:
        return ""
    told = scope.sees_remarks_of(later.dealer_id)
    return f"{later.pk}: {later.supersede_reason}" if told else str(later.pk)


def _conditions(row: Calibration) -> list[tuple[str, str]]:
    found = []
    if row.temperature_c is not None:
        found.append(("temperature", f"{typed(row.temperature_c)} °C"))
    if row.hydraulic_pressure is not None:
        found.append(
            ("hydraulic pressure", f"{typed(row.hydraulic_pressure)} {row.pressure_unit}")
        )
    return found


def _reference(row: Calibration, answer: Mapping[str, Any], scope: Scope) -> dict[str, str]:
    """Return what the loads are traced to; the details only where the caller may see them."""
    share = answer["fit"].get("reference_uncertainty_pct")
    u = f"{typed(share)} % of the load (k = 1), part of the slope's u" if share else ""
    if row.reference_id is None:
        return {
            "name": row.reference_name or "the unit's own weight",
            "u": u,
            "traceability": "none: the load was not compared with a standard",
        }
    standard = ReferenceStandard.objects.visible_to(scope).filter(pk=row.reference_id).first()
    if standard is None:
        name = answer["reference_name"] or "not told: it belongs to the dealer who measured"
        return {"name": name, "u": u, "traceability": "to be asked for from the dealer"}
    until = f", valid until {standard.valid_until}" if standard.valid_until else ""
    return {
        "name": f"{row.reference_name}, {standard.get_kind_display()} {standard.serial}".strip(),
        "u": u,
        "traceability": f"{standard.certificate or 'no certificate on file'}{until}",
    }


def results(answer: Mapping[str, Any]) -> dict[str, Any]:
    """Return points, line and change of one calibration as they are printed."""
    fit = answer["fit"]
    if not fit:
        return {"points": [], "line": [], "changes": [], "setpoints": []}
    load, reading = answer["load_unit"], answer["reading_unit"]
    factors = readout.coverage_factors(fit)
    return {
        "load_unit": load,
        "reading_unit": reading,
        "points": [_point(point, fit) for point in answer["points"]],
        "line": [
            _expanded("slope", fit, factors["slope"], f"{reading}/{load}"),
            _expanded("offset", fit, factors["offset"], reading),
        ],
        "residual_sd": quantity(fit.get("residual_sd"), fit.get("residual_sd"), reading),
        "degrees_of_freedom": fit["degrees_of_freedom"],
        "changes": [
            row
            for name, key in (
                (_against_expected(answer), "against_expected"),
                ("against the season before", "against_previous"),
                ("against the first of this run", "against_first"),
            )
            for row in _changes(name, answer.get(key) or {}, load)
        ],
        "setpoints": _felt(answer, load),
    }


def _against_expected(answer: Mapping[str, Any]) -> str:
    if deciding.is_first(answer):
        return f"against {deciding.before_the_first(answer)}"
    return "against what its history leads one to expect"


def _point(point: Mapping[str, Any], fit: Mapping[str, Any]) -> dict[str, Any]:
    on_line = fit["offset"] + fit["slope"] * point["load"]
    off = point["reading"] - on_line
    u = fit.get("residual_sd") or fit["u_offset"]  # as the desk rounds them
    u_load = u / abs(fit["slope"])
    return {
        "load": typed(point["load"]),
        "direction": point["direction"],
        "reading": typed(point["reading"]),
        "on_line": quantity(on_line, u, ""),
        "residual": change(round(off, 9), u, ""),
        "residual_load": change(round(off / fit["slope"], 12), u_load, ""),
    }


def _expanded(name: str, fit: Mapping[str, Any], k: float, unit: str) -> dict[str, Any]:
    u = fit[f"u_{name}"]
    return {
        "name": name,
        "value": quantity(fit[name], u, unit),
        "u": quantity(u, u, unit),
        "k": f"{k:.3g}" if k > readout.USUAL_FACTOR else f"{k:.0f}",
        "expanded": quantity(k * u, k * u, unit),
    }


def _changes(name: str, against: Mapping[str, Any], load: str) -> list[dict[str, Any]]:
    """Return slope's and offset's change with E_n and the probability to be out."""
    found = []
    for what, key, unit in (("slope", "slope_change_pct", "%"), ("offset", "offset_change", load)):
        if against.get(key) is None:
            continue
        found.append(
            {
                "against": name,
                "what": what,
                "change": change(against[key], against[f"u_{key}"], unit),
                "u": quantity(against[f"u_{key}"], against[f"u_{key}"], unit),
                "en": _short(against.get(f"en_{what}")),
                "p_out": _chance(against.get(f"p_out_{what}")),
            }
        )
    return found


def _short(number: float | None) -> str:
    return rounded(None) if number is None else f"{number:.2f}"


def _chance(share: float | None) -> str:
    return rounded(None) if share is None else chance(share)


def causes(answer: Mapping[str, Any], most: int | None = None) -> list[dict[str, str]]:
    """Return what may lie behind a verdict that is not good, the likeliest first."""
    if answer["verdict"] not in ("watch", "beyond"):
        return []
    return [
        {
            "share": chance(cause["probability"]),
            "says": cause["says"],
            "check": cause.get("check", ""),
        }
        for cause in answer["causes"][:most]
    ]


def _felt(answer: Mapping[str, Any], load: str) -> list[dict[str, Any]]:
    """What the operator had at the setpoints; nothing by numbers that are in doubt themselves."""
    if readout.doubt_in(answer):
        return []
    against = answer.get("against_previous") or {}
    return [
        {
            "setpoint": f"{setpoint(step['setpoint'])} {load}",
            "true_load": quantity(step["true_load"], step["u_error"], load),
            "error": change(step["error"], step["u_error"], load),
            "u": quantity(step["u_error"], step["u_error"], load),
        }
        for step in against.get("setpoints") or []
    ]


def _conformity(answer: Mapping[str, Any], dealer: Dealer) -> dict[str, str]:
    """Return verdict, what it was judged against, the rule, and how it led to the verdict."""
    judged, against = deciding.judged(answer), "what its history leads one to expect"
    if deciding.is_first(answer):
        against = deciding.before_the_first(answer)
    return {
        "verdict": answer["verdict"] if judged else "",
        "against": against if judged else "",
        "rule": ruling.rule(answer),
        "reached": ruling.reached(answer, lambda at: local_minute(at, dealer)[:10]),
    }
