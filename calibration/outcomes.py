"""What follows from a weighed case: judgements to store and flags to raise."""

from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import suspecting
from calibration.arrays import day_to_date, rows_of
from calibration.cases import worst_felt
from calibration.flags import Wanted
from calibration.metrology import expectation, pairing
from calibration.metrology.drift import Change
from calibration.models import DriftFlag, Judgement, Verdict
from calibration.weighing import BEYOND, WATCH, WITHIN, Weighed

METHOD = expectation.METHOD
_LEVELS = {WITHIN: Verdict.WITHIN, WATCH: Verdict.WATCH, BEYOND: Verdict.BEYOND}
Columns = dict[str, NDArray[Any]]


def judgements(weighed: Weighed) -> list[Judgement]:
    """Return the judgement of every calibration of the case."""
    case, outlook = weighed.case, weighed.outlook
    columns: Columns = {
        "season": case.history.season,
        "segment": case.pairs.segment,
        "slope_tolerance_pct": case.limits.slope_pct,
        "offset_tolerance": case.limits.offset,
        "worst_error_pct": worst_felt(case),
        "slope_pct_per_year": case.tendency.slope_pct_per_year,
        "trusted": outlook.trusted,
    }
    columns |= _change_columns(case.change) | _change_columns(case.since_first, "first_")
    columns |= _change_columns(outlook.expected_change, "expected_") | _expected(weighed)
    columns |= _shared(weighed)
    rows = rows_of(Judgement, case.history.ids, columns, method=METHOD)
    ids = case.history.ids
    level = outlook.level.tolist()
    for i, row in enumerate(rows):
        row.verdict = str(_LEVELS[level[i]])
        previous, first = case.pairs.previous[i], case.pairs.first[i]
        row.previous_id = ids[previous] if previous != pairing.NONE else None
        row.first_id = ids[first] if first != pairing.NONE else None
        if case.pairs.before[i] != pairing.NONE:
            row.step_reference = int(weighed.steps.reference_before[i])
        row.expected_crossing = _date(case.tendency.expected_crossing[i])
        row.earliest_crossing = _date(case.tendency.earliest_crossing[i])
        row.causes = weighed.causes.get(i, [])
    return rows


def wanted_flags(weighed: Weighed) -> list[Wanted]:
    """Return the flags that the calibrations of the case ask for."""
    return _line_flags(weighed) + _scatter_flags(weighed) + _reference_flags(weighed)


def _expected(weighed: Weighed) -> Columns:
    found = weighed.outlook.expectation

    def known(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(found.known, values, np.nan)

    return {
        "expected_slope": known(found.slope),
        "u_expected_slope": known(np.sqrt(found.var_slope)),
        "expected_offset": known(found.offset),
        "u_expected_offset": known(np.sqrt(found.var_offset)),
        "jump_probability": known(found.jump),
    }


def _shared(weighed: Weighed) -> Columns:
    common, steps = weighed.shared.common, weighed.steps
    there = common.members > 0
    return {
        "step": steps.step,
        "u_step": steps.u_step,
        "common_change_pct": np.where(there, 100.0 * common.change, np.nan),
        "u_common_change_pct": np.where(there, 100.0 * common.u_change, np.nan),
        "common_members": common.members,
        "reference_moved": np.where(there, common.moved, np.nan),
    }


def _date(day: float) -> date | None:
    return day_to_date(day) if np.isfinite(day) else None


def _change_columns(change: Change, prefix: str = "") -> Columns:
    return {
        f"{prefix}slope_change_pct": change.slope_pct,
        f"{prefix}u_slope_change_pct": change.u_slope_pct,
        f"{prefix}offset_change": change.offset,
        f"{prefix}u_offset_change": change.u_offset,
        f"{prefix}en_slope": change.en_slope,
        f"{prefix}en_offset": change.en_offset,
        f"{prefix}p_out_slope": change.p_out_slope,
        f"{prefix}p_out_offset": change.p_out_offset,
    }


def _line_flags(weighed: Weighed) -> list[Wanted]:
    """A slope or offset flag for each calibration whose line is watched or beyond."""
    case, outlook, change = weighed.case, weighed.outlook, weighed.outlook.expected_change
    offset_pct = 100.0 / case.history.rated_load
    kinds = (
        (
            "slope",
            outlook.slope_level,
            case.limits.slope_pct,
            "slope_pct",
            np.ones_like(offset_pct),
        ),
        ("offset", outlook.offset_level, case.limits.offset_pct, "offset", offset_pct),
    )
    wanted = []
    for kind, level, tolerance, size, scale in kinds:
        for i in np.flatnonzero(level).tolist():
            # A watch that only the slow sum since the first asked for shows that sum.
            p_now = getattr(change, f"p_out_{kind}")[i]
            slow = p_now < case.limits.watch[i] and case.pairs.first[i] != pairing.NONE
            source = case.since_first if slow else change
            wanted.append(
                Wanted(
                    sensor_id=int(case.history.sensor[i]),
                    calibration_id=case.history.ids[i],
                    kind=kind,
                    level=str(_LEVELS[int(level[i])]),
                    magnitude=float(getattr(source, size)[i] * scale[i]),
                    tolerance=float(tolerance[i]),
                    p_out=float(getattr(source, f"p_out_{kind}")[i]),
                    causes=weighed.causes.get(i, []),
                )
            )
    return wanted


def _scatter_flags(weighed: Weighed) -> list[Wanted]:
    """A flag where no line explains the points: too large for chance, and large at all."""
    from scipy.special import chdtrc

    case = weighed.case
    lines, keep = case.lines, case.keep
    dof = lines.degrees_of_freedom[keep]
    chance = np.where(dof > 0, chdtrc(np.maximum(dof, 1), dof * lines.birge_ratio[keep] ** 2), 1.0)
    scatter = np.abs(lines.residual_sd[keep] / lines.slope[keep]) / case.history.rated_load * 100.0
    share = scatter / case.limits.offset_pct
    large = np.where(share > 1, BEYOND, np.where(share > 0.5, WATCH, WITHIN))
    level = np.where(chance < 0.01, large, WITHIN)
    return [
        Wanted(
            sensor_id=int(case.history.sensor[i]),
            calibration_id=case.history.ids[i],
            kind=str(DriftFlag.Kind.FIT),
            level=str(_LEVELS[int(level[i])]),
            magnitude=float(scatter[i]),
            tolerance=float(case.limits.offset_pct[i]),
            p_out=None,
        )
        for i in np.flatnonzero(level).tolist()
    ]


def _reference_flags(weighed: Weighed) -> list[Wanted]:
    """One flag for all cells that moved together: on the first of their calibrations."""
    case, common = weighed.case, weighed.shared.common
    return [
        Wanted(
            sensor_id=int(case.history.sensor[i]),
            calibration_id=case.history.ids[i],
            kind=str(DriftFlag.Kind.REFERENCE),
            level=str(Verdict.BEYOND),
            magnitude=float(100.0 * common.change[i]),
            tolerance=float(case.limits.slope_pct[i]),
            p_out=float(common.moved[i]),
            causes=[suspecting.COMMON_CAUSE | {"probability": float(common.moved[i])}],
        )
        for i in np.flatnonzero(weighed.outlook.moved & weighed.shared.leads).tolist()
    ]
