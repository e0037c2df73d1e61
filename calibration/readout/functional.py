"""A functional test's row to its answer, in the units that were typed."""

from collections.abc import Sequence
from typing import Any

from django.db.models import Prefetch, QuerySet

from calibration.models import DriftFlag, FunctionalTest
from calibration.readout.flags import flag_answer, moment
from fleet.scope import Scope

_STEP = (
    "commanded",
    "displayed_mean",
    "displayed_min",
    "displayed_max",
    "pressure",
    "observed",
)


def _selected(tests: QuerySet[FunctionalTest]) -> QuerySet[FunctionalTest]:
    return tests.select_related("outcome", "installation", "superseded_by").prefetch_related(
        "steps",
        Prefetch(
            "flags", DriftFlag.objects.select_related("family", "assigned_to").order_by("kind")
        ),
    )


def functional_answers(
    tests: QuerySet[FunctionalTest] | Sequence[FunctionalTest], scope: Scope
) -> list[dict[str, Any]]:
    """Return the answer of each functional test, with a fixed number of queries."""
    rows = _selected(tests) if isinstance(tests, QuerySet) else tests
    return [_answer(row, scope) for row in rows]


def functional_answer(test: FunctionalTest, scope: Scope) -> dict[str, Any]:
    """Return the whole answer of one functional test, freshly read."""
    return functional_answers(FunctionalTest.objects.filter(pk=test.pk), scope)[0]


def _answer(row: FunctionalTest, scope: Scope) -> dict[str, Any]:
    own = scope.sees_remarks_of(row.dealer_id)
    outcome = getattr(row, "outcome", None)
    superseded = getattr(row, "superseded_by", None)
    return {
        "id": str(row.pk),
        "sensor": row.sensor_id,
        "sensor_serial": row.sensor_serial,
        "installation": row.installation_id,
        "machine_serial": row.machine_serial,
        "position": row.position,
        "performed_at": moment(row.performed_at),
        "technician": row.technician if own else "",
        "note": row.note if own else "",
        "load_unit": row.load_unit,
        "pressure_unit": row.pressure_unit,
        "steps": [{name: getattr(step, name) for name in _STEP} for step in row.steps.all()],
        "verdict": outcome.verdict if outcome else None,
        "worst_error_pct": outcome.worst_error_pct if outcome else None,
        "findings": outcome.findings if outcome else [],
        "method": outcome.method if outcome else None,
        "flags": [flag_answer(flag, scope) for flag in row.flags.all()],
        "supersedes": str(row.supersedes_id) if row.supersedes_id else None,
        "supersede_reason": row.supersede_reason if own else "",
        "superseded_by": str(superseded.pk) if superseded else None,
        "recorded_at": moment(row.recorded_at),
        "content_digest": row.content_digest,
        "digest": row.digest,
    }
