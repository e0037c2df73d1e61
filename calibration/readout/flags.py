"""Flags and moments as people and programs read them."""

from datetime import UTC, datetime
from typing import Any

from calibration.models import DriftFlag
from fleet.scope import Scope


def moment(value: datetime | None) -> str | None:
    """Return a moment as ISO 8601 in UTC."""
    return value.astimezone(UTC).isoformat().replace("+00:00", "Z") if value else None


def flag_answer(flag: DriftFlag, scope: Scope) -> dict[str, Any]:
    """Return one flag; why a person closed it, to that person's dealer only."""
    ours = flag.closed_for_id is None or scope.sees_remarks_of(flag.closed_for_id)
    record = flag.calibration_id or flag.functional_test_id
    return {
        "id": flag.pk,
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


def whose(flag: DriftFlag, scope: Scope) -> dict[str, Any]:
    """Return who sees to a flag and its family's cause, to the dealer whose people said so."""
    given = flag.assigned_for_id is not None and scope.sees_remarks_of(flag.assigned_for_id)
    kin = flag.family if flag.family and scope.sees_remarks_of(flag.family.dealer_id) else None
    return {
        "family": kin.pk if kin else None,
        "family_cause": kin.cause if kin else "",
        "assigned_to": flag.assigned_to.get_username() if given and flag.assigned_to else "",
        "assigned_at": moment(flag.assigned_at) if given else None,
    }
