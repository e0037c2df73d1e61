"""A calibration's row to the answer of the design, in the units that were typed."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from django.db.models import Prefetch, QuerySet

from calibration.metrology import felt
from calibration.metrology.drift import LineState
from calibration.models import Calibration, DriftFlag, Fit, Judgement
from calibration.policies import Rule, Rulebook
from calibration.readout.explaining import explain
from calibration.readout.figures import figures_of
from calibration.readout.flags import flag_answer, moment
from fleet import units
from fleet.scope import Scope

_AGAINST = (
    "slope_change_pct",
    "u_slope_change_pct",
    "offset_change",
    "u_offset_change",
    "en_slope",
    "en_offset",
    "p_out_slope",
    "p_out_offset",
)
_IN_NEWTONS = {"offset_change", "u_offset_change"}


def selected(calibrations: QuerySet[Calibration]) -> QuerySet[Calibration]:
    """Return the query set with all that an answer reads: a fixed number of queries."""
    return calibrations.select_related(
        "sensor__model",
        "sensor__dealer",
        "sensor__due",
        "dealer",
        "fit",
        "judgement__previous__fit",
        "judgement__first",
        "superseded_by",
    ).prefetch_related(
        "points",
        Prefetch(
            "flags", DriftFlag.objects.select_related("family", "assigned_to").order_by("kind")
        ),
    )


def answers(
    calibrations: QuerySet[Calibration] | Sequence[Calibration], scope: Scope
) -> list[dict[str, Any]]:
    """Return the answer of each calibration, with a fixed number of queries."""
    rows = selected(calibrations) if isinstance(calibrations, QuerySet) else calibrations
    book = Rulebook()
    return [
        _answer(row, scope, book.rule(row.sensor.model_id, row.sensor.dealer_id)) for row in rows
    ]


def calibration_answer(calibration: Calibration, scope: Scope) -> dict[str, Any]:
    """Return the whole answer of one calibration, freshly read, with why and its figures."""
    row = selected(Calibration.objects.filter(pk=calibration.pk)).get()
    answer = answers([row], scope)[0]
    answer["figures"] = figures_of(row)
    answer["explain"] = explain(answer)
    return answer


def _answer(row: Calibration, scope: Scope, rule: Rule) -> dict[str, Any]:
    fit, judgement = getattr(row, "fit", None), getattr(row, "judgement", None)
    due = getattr(row.sensor, "due", None)
    return {
        **_identity(row, scope),
        "points": [
            {"load": point.load, "reading": point.reading, "direction": point.direction}
            for point in row.points.all()
        ],
        "conditions": {
            "temperature_c": row.temperature_c,
            "hydraulic_pressure": row.hydraulic_pressure,
            "pressure_unit": row.pressure_unit,
        },
        "fit": _fit(row, fit),
        "against_previous": _against(row, judgement, "previous")
        | _setpoints(row, fit, judgement, rule),
        "against_first": _against(row, judgement, "first"),
        "against_expected": _against_expected(row, judgement),
        "trend": _trend(judgement),
        "season": judgement.season if judgement else None,
        "segment": judgement.segment if judgement else None,
        "verdict": judgement.verdict if judgement else None,
        "causes": judgement.causes if judgement else [],
        "tolerance": _tolerance(row, judgement, rule),
        "flags": [flag_answer(flag, scope) for flag in row.flags.all()],
        "next_due": due.due_on.isoformat() if due else None,
        "method": {
            "fit": fit.method if fit else None,
            "judgement": judgement.method if judgement else None,
        },
        "content_digest": row.content_digest,
        "digest": row.digest,
        "stored": True,
    }


def _identity(row: Calibration, scope: Scope) -> dict[str, Any]:
    own = scope.sees_remarks_of(row.dealer_id)
    superseded = getattr(row, "superseded_by", None)
    return {
        "id": str(row.pk),
        "sensor": row.sensor_id,
        "sensor_serial": row.sensor_serial,
        "sensor_model": row.sensor.model_id,
        "sensor_model_name": row.sensor.model.name,
        "installation": row.installation_id,
        "machine_serial": row.machine_serial,
        "position": row.position,
        "performed_at": moment(row.performed_at),
        "reason": row.reason,
        "stage": row.stage,
        "reference": row.reference_id if own or scope.everywhere else None,
        "reference_name": row.reference_name if own or scope.everywhere else "",
        "technician": row.technician if own else "",
        "load_unit": row.load_unit,
        "reading_unit": row.reading_unit,
        "note": row.note if own else "",
        "supersedes": str(row.supersedes_id) if row.supersedes_id else None,
        "supersede_reason": row.supersede_reason if own else "",
        "superseded_by": str(superseded.pk) if superseded else None,
        "recorded_at": moment(row.recorded_at),
    }


def _reading_factor(row: Calibration) -> float:
    """Readings of the sensor model in one typed reading unit."""
    return units.reading_factor(row.reading_unit, row.sensor.model.reading_unit) or 1.0


def _fit(row: Calibration, fit: Fit | None) -> dict[str, Any]:
    if fit is None:
        return {}
    reading, load = _reading_factor(row), units.LOAD[row.load_unit]
    return {
        "slope": fit.slope * load / reading,
        "offset": fit.offset / reading,
        "u_slope": fit.u_slope * load / reading,
        "u_slope_random": fit.u_slope_random * load / reading,
        "u_offset": fit.u_offset / reading,
        "covariance": fit.covariance * load / reading**2,
        "residual_sd": None if fit.residual_sd is None else fit.residual_sd / reading,
        "birge_ratio": fit.birge_ratio,
        "degrees_of_freedom": fit.degrees_of_freedom,
        "reference_uncertainty_pct": fit.reference_pct,
        "load_unit": row.load_unit,
        "reading_unit": row.reading_unit,
    }


def _against(row: Calibration, judgement: Judgement | None, which: str) -> dict[str, Any]:
    """Changes since the previous or the first calibration; empty where there is none."""
    other = getattr(judgement, f"{which}_id", None)
    if other is None:
        return {}
    prefix = "first_" if which == "first" else ""
    load = units.LOAD[row.load_unit]
    values: dict[str, Any] = {
        name: getattr(judgement, prefix + name) / (load if name in _IN_NEWTONS else 1.0)
        for name in _AGAINST
    }
    at = getattr(judgement, which).performed_at
    return {"calibration": str(other), "performed_at": moment(at), **values}


def _against_expected(row: Calibration, judgement: Judgement | None) -> dict[str, Any]:
    """What the whole history led one to expect; empty where nothing was expected."""
    if judgement is None or judgement.expected_slope is None:
        return {}
    load, reading = units.LOAD[row.load_unit], _reading_factor(row)
    expected = {
        name: getattr(judgement, name) * (load if name.endswith("slope") else 1.0) / reading
        for name in ("expected_slope", "u_expected_slope", "expected_offset", "u_expected_offset")
    }
    change = {
        name: getattr(judgement, f"expected_{name}") / (load if name in _IN_NEWTONS else 1.0)
        for name in _AGAINST
    }
    return {
        **expected,
        **change,
        "common_change_pct": judgement.common_change_pct,
        "u_common_change_pct": judgement.u_common_change_pct,
        "common_members": judgement.common_members,
        "reference_moved": judgement.reference_moved,
        "jump_probability": judgement.jump_probability,
        "learnt_from": judgement.trusted,
    }


def _setpoints(
    row: Calibration, fit: Fit | None, judgement: Judgement | None, rule: Rule
) -> dict[str, Any]:
    """What the operator felt at the policy's setpoints, with the numbers of the season before."""
    previous = getattr(getattr(judgement, "previous", None), "fit", None)
    if fit is None or previous is None:
        return {}
    load = units.LOAD[row.load_unit]
    wanted = np.array([rule.setpoints_n], dtype=np.float64).reshape(1, -1)
    result = felt.at_setpoints(_state(previous), _state(fit), wanted)
    rows = zip(
        (wanted[0] / load).tolist(),
        (result.true_load[0] / load).tolist(),
        (result.error[0] / load).tolist(),
        (result.u_error[0] / load).tolist(),
        strict=True,
    )
    return {
        "setpoints": [
            {
                "setpoint": setpoint,
                "true_load": true,
                "error": error,
                "u_error": u,
                "error_pct": 100.0 * error / setpoint,
            }
            for setpoint, true, error, u in rows
        ]
    }


def _state(fit: Fit) -> LineState:
    return LineState(
        *(
            np.array([value], dtype=np.float64)
            for value in (
                fit.slope,
                fit.offset,
                fit.u_slope_random,
                fit.u_offset,
                fit.covariance,
                fit.reference_pct,
            )
        )
    )


def _trend(judgement: Judgement | None) -> dict[str, Any]:
    expected = judgement.expected_crossing if judgement else None
    earliest = judgement.earliest_crossing if judgement else None
    return {
        "slope_pct_per_year": judgement.slope_pct_per_year if judgement else None,
        "expected_crossing": expected.isoformat() if expected else None,
        "earliest_crossing": earliest.isoformat() if earliest else None,
    }


def _tolerance(row: Calibration, judgement: Judgement | None, rule: Rule) -> dict[str, Any]:
    if judgement is None:
        return {}
    return {
        "slope_pct": judgement.slope_tolerance_pct,
        "offset": judgement.offset_tolerance / units.LOAD[row.load_unit],
        "load_unit": row.load_unit,
        "flag_probability": rule.flag_probability,
        "watch_probability": rule.watch_probability,
    }
