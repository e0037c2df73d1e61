"""A calibration's row to the answer of the design, in the units that were typed."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from operator import attrgetter
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import QuerySet

from calibration.metrology import felt
from calibration.metrology.drift import LineState
from calibration.models import Calibration, ReferenceStandard
from calibration.policies import Rule, Rulebook
from calibration.readout import deciding, rows
from calibration.readout.explaining import explain
from calibration.readout.figures import figures
from calibration.readout.flags import flag_answer, moment
from calibration.readout.remarks import remarks
from calibration.readout.rows import AGAINST, LINE, Points, Rows
from fleet import units
from fleet.scope import Scope

_IN_NEWTONS = {"offset_change", "u_offset_change"}


def answers(
    calibrations: QuerySet[Calibration] | Sequence[Calibration], scope: Scope
) -> list[dict[str, Any]]:
    """Return the answer of each calibration, with a fixed number of queries."""
    if isinstance(calibrations, QuerySet):
        return answers_of(rows.by_query(calibrations), scope)
    return answers_by_key([row.pk for row in calibrations], scope)


def answers_by_key(keys: Iterable[UUID], scope: Scope) -> list[dict[str, Any]]:
    """Return the answers of calibrations that the caller may see, in the order given."""
    return answers_of(rows.by_key(list(keys)), scope)


def newest_answers(sensor_ids: Sequence[int], scope: Scope) -> list[dict[str, Any]]:
    """Return the answer of each visible sensor's newest calibration that nothing supersedes."""
    return answers_of(rows.newest_of(sensor_ids, scope), scope)


def answers_of(read: Rows, scope: Scope, book: Rulebook | None = None) -> list[dict[str, Any]]:
    """Return the answers of calibrations that have been read; the rules are, where not given."""
    book = book or Rulebook()
    rules = [book.rule(row.sensor_model_id, row.sensor_dealer_id) for row in read.rows]
    found = [
        _answer(row, scope, rule, read, setpoints)
        for row, rule, setpoints in zip(
            read.rows, rules, _setpoints(read.rows, rules), strict=True
        )
    ]
    for answer, said in zip(found, remarks(read), strict=True):
        answer["remarks"] = said
    return found


def calibration_answer(calibration: Calibration, scope: Scope) -> dict[str, Any]:
    """Return the whole answer of one calibration, freshly read, with why and its figures."""
    return _whole(rows.by_key([calibration.pk]), scope)


def stored_answer(
    key: UUID, points: Points, scope: Scope, *, is_flagged: bool, book: Rulebook | None
) -> dict[str, Any]:
    """Return the same of one that was just stored, by what whoever did it knows."""
    return _whole(rows.just_stored(key, points, is_flagged=is_flagged), scope, book)


def _whole(read: Rows, scope: Scope, book: Rulebook | None = None) -> dict[str, Any]:
    (answer,) = answers_of(read, scope, book)
    (row,) = read.rows
    rated = row.rated_load * units.LOAD[row.rated_unit] / units.LOAD[row.load_unit]
    answer["figures"] = figures(answer["points"], rated_load=rated)
    answer["explain"] = explain(answer, ZoneInfo(row.sensor_zone))
    return answer


def _answer(
    row: Any, scope: Scope, rule: Rule, read: Rows, setpoints: dict[str, Any]
) -> dict[str, Any]:
    judged = row.judged_method is not None
    return {
        **_identity(row, scope),
        "points": read.points.get(row.id, []),
        "conditions": {
            "temperature_c": row.temperature_c,
            "hydraulic_pressure": row.hydraulic_pressure,
            "pressure_unit": row.pressure_unit,
        },
        "fit": fit_of(row),
        "against_previous": _against_previous(row) | setpoints,
        "against_first": _against_first(row),
        "against_expected": _against_expected(row),
        "trend": _trend(row),
        "season": row.judged_season,
        "segment": row.judged_segment,
        "verdict": row.judged_verdict,
        "causes": row.judged_causes if judged else [],
        "tolerance": _tolerance(row, rule),
        "flags": [flag_answer(flag, scope) for flag in read.flags.get(row.id, ())],
        "next_due": row.due_on.isoformat() if row.due_on else None,
        "method": {"fit": row.fit_method, "judgement": row.judged_method},
        "content_digest": row.content_digest,
        "digest": row.digest,
        "stored": True,
    }


def reference_of(record: Calibration, scope: Scope) -> ReferenceStandard | None:
    """Return the reference of a record where it has one and the caller may know which."""
    used = record.reference
    owner = used.dealer_id if used else None
    named = scope.sees_reference(owner_id=owner, recorded_for=record.dealer_id)
    return used if named else None


def _identity(row: Any, scope: Scope) -> dict[str, Any]:
    own = scope.sees_remarks_of(row.dealer_id)
    named = scope.sees_reference(owner_id=row.reference_dealer_id, recorded_for=row.dealer_id)
    return {
        "id": str(row.id),
        "sensor": row.sensor_id,
        "sensor_serial": row.sensor_serial,
        "sensor_model": row.sensor_model_id,
        "sensor_model_name": row.sensor_model_name,
        "installation": row.installation_id,
        "machine_serial": row.machine_serial,
        "position": row.position,
        "performed_at": moment(row.performed_at),
        "reason": row.reason,
        "stage": row.stage,
        "reference": row.reference_id if named else None,
        "reference_name": row.reference_name if named else "",
        "technician": row.technician if own else "",
        "load_unit": row.load_unit,
        "reading_unit": row.reading_unit,
        "note": row.note if own else "",
        "supersedes": str(row.supersedes_id) if row.supersedes_id else None,
        "supersede_reason": row.supersede_reason if own else "",
        "superseded_by": str(row.superseded_by) if row.superseded_by else None,
        "recorded_at": moment(row.recorded_at),
    }


def _reading_factor(row: Any) -> float:
    """Readings of the sensor model in one typed reading unit."""
    return units.reading_factor(row.reading_unit, row.sensor_reading_unit) or 1.0


def fit_of(row: Any) -> dict[str, Any]:
    """Return the line of a row in the units that were typed; empty where there is none."""
    if row.fit_method is None:
        return {}
    reading, load = _reading_factor(row), units.LOAD[row.load_unit]
    residual = row.fit_residual_sd
    return {
        "slope": row.fit_slope * load / reading,
        "offset": row.fit_offset / reading,
        "u_slope": row.fit_u_slope * load / reading,
        "u_slope_random": row.fit_u_slope_random * load / reading,
        "u_offset": row.fit_u_offset / reading,
        "covariance": row.fit_covariance * load / reading**2,
        "residual_sd": None if residual is None else residual / reading,
        "birge_ratio": row.fit_birge_ratio,
        "degrees_of_freedom": row.fit_degrees_of_freedom,
        "reference_uncertainty_pct": row.fit_reference_pct,
        "load_unit": row.load_unit,
        "reading_unit": row.reading_unit,
    }


_of_previous = attrgetter(*(f"judged_{name}" for name in AGAINST))
_of_first = attrgetter(*(f"judged_first_{name}" for name in AGAINST))
_of_expected = attrgetter(*(f"judged_expected_{name}" for name in AGAINST))


def _changes(row: Any, values: Sequence[Any]) -> dict[str, Any]:
    """Return changes under their names, those of the offset in the load unit that was typed."""
    load = units.LOAD[row.load_unit]
    return {
        name: value / (load if name in _IN_NEWTONS else 1.0)
        for name, value in zip(AGAINST, values, strict=True)
    }


def _against_previous(row: Any) -> dict[str, Any]:
    """Changes since the previous calibration; empty where there is none."""
    if row.judged_previous_id is None:
        return {}
    head = {"calibration": str(row.judged_previous_id), "performed_at": moment(row.previous_at)}
    return head | _changes(row, _of_previous(row))


def _against_first(row: Any) -> dict[str, Any]:
    """Changes since the first calibration of the segment; empty where there is none."""
    if row.judged_first_id is None:
        return {}
    head = {"calibration": str(row.judged_first_id), "performed_at": moment(row.first_at)}
    return head | _changes(row, _of_first(row))


def _against_expected(row: Any) -> dict[str, Any]:
    """What the whole history led one to expect; empty where nothing was expected."""
    if row.judged_expected_slope is None:
        return {}
    load, reading = units.LOAD[row.load_unit], _reading_factor(row)
    return {
        "expected_slope": row.judged_expected_slope * load / reading,
        "u_expected_slope": row.judged_u_expected_slope * load / reading,
        "expected_offset": row.judged_expected_offset * 1.0 / reading,
        "u_expected_offset": row.judged_u_expected_offset * 1.0 / reading,
        **_changes(row, _of_expected(row)),
        "common_change_pct": row.judged_common_change_pct,
        "u_common_change_pct": row.judged_u_common_change_pct,
        "common_members": row.judged_common_members,
        "reference_moved": row.judged_reference_moved,
        "reference_returned_pct": row.judged_reference_returned_pct,
        "jump_probability": row.judged_jump_probability,
        "learnt_from": row.judged_trusted,
        "rests_on": _rests_on(row),
    }


def _rests_on(row: Any) -> str:
    """What the expectation comes from: earlier calibrations, the cell's tag, or its siblings."""
    if row.judged_first_id is not None:
        return "history"
    return "lot" if row.tag_span_load is None else "tag"


def _setpoints(read: Sequence[Any], rules: Sequence[Rule]) -> list[dict[str, Any]]:
    """What the operator felt at the policy's setpoints, with the numbers of the season before.

    Made at once for all that are judged by the same setpoints; empty where there was no season
    before, or where the reference moved: then it says nothing of the wheel.
    """
    found: list[dict[str, Any]] = [{} for _ in read]
    alike: dict[tuple[float, ...], list[int]] = defaultdict(list)
    for at, (row, rule) in enumerate(zip(read, rules, strict=True)):
        fitted = row.fit_method is not None and row.previous_slope is not None
        if fitted and deciding.moved_in(row, "judged_") is None:
            alike[rule.setpoints_n].append(at)
    for setpoints, places in alike.items():
        wanted = np.tile(np.array(setpoints, dtype=np.float64), (len(places), 1))
        some = [read[at] for at in places]
        result = felt.at_setpoints(_state(some, "previous"), _state(some, "fit"), wanted)
        load = np.array([[units.LOAD[row.load_unit]] for row in some])
        columns = (wanted / load, result.true_load / load, result.error / load,
                   result.u_error / load)  # fmt: skip
        for at, *values in zip(places, *(column.tolist() for column in columns), strict=True):
            found[at] = {"setpoints": [_felt(*one) for one in zip(*values, strict=True)]}
    return found


def _felt(setpoint: float, true_load: float, error: float, u_error: float) -> dict[str, float]:
    return {
        "setpoint": setpoint,
        "true_load": true_load,
        "error": error,
        "u_error": u_error,
        "error_pct": 100.0 * error / setpoint,
    }


def _state(read: Sequence[Any], prefix: str) -> LineState:
    numbers = attrgetter(*(f"{prefix}_{name}" for name in LINE))
    return LineState(*np.array([numbers(row) for row in read], dtype=np.float64).T)


def _trend(row: Any) -> dict[str, Any]:
    expected, earliest = row.judged_expected_crossing, row.judged_earliest_crossing
    return {
        "slope_pct_per_year": row.judged_slope_pct_per_year,
        "expected_crossing": expected.isoformat() if expected else None,
        "earliest_crossing": earliest.isoformat() if earliest else None,
    }


def _tolerance(row: Any, rule: Rule) -> dict[str, Any]:
    if row.judged_method is None:
        return {}
    return {
        "slope_pct": row.judged_slope_tolerance_pct,
        "offset": row.judged_offset_tolerance / units.LOAD[row.load_unit],
        "load_unit": row.load_unit,
        "flag_probability": rule.flag_probability,
        "watch_probability": rule.watch_probability,
    }
