"""Flags and moments as people and programs read them."""

from datetime import UTC, datetime
from typing import Any

from calibration.metrology.causes import CAUSES
from calibration.models import DriftFlag
from fleet.scope import Scope

CODES = tuple(cause.code for cause in CAUSES)


def moment(value: datetime | None) -> str | None:
    """Return a moment as ISO 8601 in UTC."""
    return value.astimezone(UTC).isoformat().replace("+00:00", "Z") if value else None


def flag_answer(flag: Any, scope: Scope) -> dict[str, Any]:
    """Return one flag, row or object; why a person closed it, to that person's dealer only."""
    ours = flag.closed_for_id is None or scope.sees_remarks_of(flag.closed_for_id)
    record = flag.calibration_id or flag.functional_test_id
    return {
        "id": flag.id,
        "sensor": flag.sensor_id,
        "calibration": str(flag.calibration_id) if flag.calibration_id else None,
        "functional_test": str(record) if flag.functional_test_id else None,
        "kind": flag.kind,
        "level": flag.level,
        "magnitude": flag.magnitude,
        "tolerance": flag.tolerance,
        "p_out": flag.p_out,
        "causes": flag.causes,
        "status": flag.status,
        "opened_at": moment(flag.opened_at),
        "acknowledged_at": moment(flag.acknowledged_at),
        "closed_at": moment(flag.closed_at),
        "close_reason": flag.close_reason if ours else "",
        **whose(flag, scope),
    }


def whose(flag: Any, scope: Scope) -> dict[str, Any]:
    """Return who sees to a flag and its family's cause, to the dealer whose people said so."""
    given = flag.assigned_for_id is not None and scope.sees_remarks_of(flag.assigned_for_id)
    dealer, cause, to = _said_of(flag)
    kin = dealer is not None and scope.sees_remarks_of(dealer)
    return {
        "family": flag.family_id if kin else None,
        "family_cause": cause if kin else "",
        "assigned_to": (to or "") if given else "",
        "assigned_at": moment(flag.assigned_at) if given else None,
    }


def _said_of(flag: Any) -> tuple[int | None, str, str | None]:
    """The family's dealer and cause, and who sees to it; of a row or an object."""
    if not isinstance(flag, DriftFlag):
        return flag.family__dealer_id, flag.family__cause, flag.assigned_to__username
    family, person = flag.family, flag.assigned_to
    return (
        family.dealer_id if family else None,
        family.cause if family else "",
        person.get_username() if person else None,
    )
