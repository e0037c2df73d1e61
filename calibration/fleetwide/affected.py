"""What a reference touched."""

from typing import Any

from calibration import readout
from calibration.models import Calibration, DriftFlag, ReferenceStandard, Verdict
from fleet.scope import Scope


def affected_by(reference: ReferenceStandard, *, scope: Scope) -> dict[str, Any]:
    """Return every calibration made with a reference, day by day, with its verdict.

    `moved_together` names the days on which all its cells moved by a common amount. Each
    calibration has its verdict as measured (against the season before, nothing taken off) and as
    corrected (what the cells of that day have in common taken off, and the whole history used).
    """
    zone = reference.dealer.zone
    rows = Calibration.objects.visible_to(scope).filter(reference=reference)
    found = readout.answers(rows.order_by("performed_at", "pk"), scope)
    flags = DriftFlag.objects.visible_to(scope).filter(
        calibration__reference=reference, kind=DriftFlag.Kind.REFERENCE
    )
    return {
        "reference": reference.pk,
        "reference_name": reference.name,
        "relative_uncertainty_pct": reference.relative_uncertainty_pct,
        "valid_until": reference.valid_until.isoformat() if reference.valid_until else None,
        "calibrations": [_row(answer) for answer in found],
        "moved_together": [
            {
                "day": flag.calibration.performed_at.astimezone(zone).date().isoformat(),
                "common_slope_change_pct": flag.magnitude,
                "flag": flag.pk,
                "status": flag.status,
            }
            for flag in flags.select_related("calibration").order_by("calibration__performed_at")
            if flag.calibration is not None
        ],
    }


def _row(answer: dict[str, Any]) -> dict[str, Any]:
    names = (
        "id",
        "sensor",
        "sensor_serial",
        "machine_serial",
        "performed_at",
        "season",
        "verdict",
    )
    against, expected = answer["against_previous"], answer["against_expected"]
    return {name: answer[name] for name in names} | {
        "verdict_as_measured": _as_measured(answer),
        "reference_moved": expected.get("reference_moved"),
        "common_change_pct": expected.get("common_change_pct"),
        "u_common_change_pct": expected.get("u_common_change_pct"),
        "corrected_slope_change_pct": expected.get("slope_change_pct"),
        "u_corrected_slope_change_pct": expected.get("u_slope_change_pct"),
        "corrected_p_out_slope": expected.get("p_out_slope"),
        "slope_change_pct": against.get("slope_change_pct"),
        "u_slope_change_pct": against.get("u_slope_change_pct"),
        "p_out_slope": against.get("p_out_slope"),
        "causes": answer["causes"],
    }


def _as_measured(answer: dict[str, Any]) -> str | None:
    """The level of the plain change since the season before."""
    against, tolerance = answer["against_previous"], answer["tolerance"]
    if answer["verdict"] is None:
        return None
    p_out = max(against.get("p_out_slope", 0.0), against.get("p_out_offset", 0.0))
    if p_out >= tolerance["flag_probability"]:
        return str(Verdict.BEYOND)
    return str(Verdict.WATCH if p_out >= tolerance["watch_probability"] else Verdict.WITHIN)
